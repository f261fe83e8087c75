"""Make a plan from a casting and a rig."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, Plan, RigSpec
from evenwall.model.seal import sealed
from evenwall.planning.assemble import assemble
from evenwall.planning.batch import Taught
from evenwall.planning.coat_heat import Series
from evenwall.planning.context import DEFAULT_RECIPES, PlanningContext, check_neck
from evenwall.planning.earlier import FORM, Earlier
from evenwall.planning.effort import FULL
from evenwall.planning.guesses import Guesses, form_of, guesses
from evenwall.planning.lessons import learn
from evenwall.planning.lessons_told import with_lessons
from evenwall.planning.loading import check_reach
from evenwall.planning.recipe import Recipe, eased
from evenwall.planning.rests import Rest
from evenwall.planning.search import Found, Search
from evenwall.planning.walls import Budget, OutOfTime, Pour
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

Progress = Callable[[float, str], None]


def make_plan(
    casting: Casting,
    rig: RigSpec,
    *,
    seed: int = 0,
    searches: int = 1,
    time_budget_s: float | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
    clock: Clock | None = None,
    taught: Taught | None = None,
    earlier: Sequence[Earlier] = (),
) -> Plan:
    """Plan a casting. Raises PlanError, in one line, if no plan can work.

    searches: number of searches, with successive seeds, each beginning with the best so far; the
    best is kept. time_budget_s: for all searches together. When it is used up, or at Ctrl-C, the
    best so far becomes the plan, and the plan says so; with 0 no film is computed and an ordinary
    recipe is used. progress: called with the fraction done and a few words. executor: where films
    are computed, any concurrent.futures executor; by default threads here. The same seed gives the
    same plan, unless the budget cut it short. clock: measures the budget. taught: lessons of this
    mould's proven castings. earlier: plans whose spins are tried first if they are for this mould
    or a similar form.
    """
    tell = progress or silent
    tell(0.0, "reading the mould")
    cavity = load_cavity(casting)
    check_reach(casting, cavity, rig)
    check_neck(casting, cavity)
    tell(0.05, "weighing and timing")
    walls = () if taught is None else taught.walls
    lessons = learn(walls)
    context = PlanningContext(casting, rig, cavity, taught=taught, corrections=lessons.corrections)
    count, batch = context.first_batch()
    filmless = time_budget_s is not None and time_budget_s <= 0
    options = (context.series(batch, count),) if filmless else context.rests(batch, count)
    pour = context.pour(*options[0].batches)
    start = guesses(earlier, casting, cavity, count, pour) if earlier else Guesses()
    wish = Wish(seed, time_budget_s, tell, executor, clock, searches)
    found = choose(context, options, wish, known=start.known, stays=start.stays)
    plan = assemble(context, options, found, (), seed)
    form = [round(float(value), 4) for value in form_of(cavity)]
    plan = plan.model_copy(update={"details": {**plan.details, FORM: form}})
    plan = with_lessons(plan, lessons, walls)
    tell(1.0, "done")
    return sealed(plan)


@dataclass(frozen=True)
class Wish:
    """Options of the search."""

    seed: int
    time_budget_s: float | None
    tell: Progress
    executor: Executor | None
    clock: Clock | None
    searches: int = 1


def choose(
    context: PlanningContext,
    options: Sequence[Series],
    wish: Wish,
    laid: Sequence[tuple[Pour, Recipe]] = (),
    known: tuple[Recipe, ...] = (),
    stays: tuple[Recipe, ...] = (),
) -> Found:
    """Return the recipes of the coats still to pour and the rest between them. `known` and `stays`:
    see Search."""
    budget_s = math.inf if wish.time_budget_s is None else wish.time_budget_s
    soon = options[0]
    usual = Found(recipes=usual_recipes(context, soon))
    if budget_s <= 0:
        return usual
    rests = tuple(
        Rest(context.pour(*one.batches), one.rest, one.pours_min - soon.pours_min)
        for one in options
    )
    watch = wish.clock or SystemClock()
    budget, best = Budget(watch, watch.now_s() + budget_s), None
    for number in range(wish.searches):

        def tell(part: float, words: str, before: int = number) -> None:
            which = f", search {before + 1} of {wish.searches}" if wish.searches > 1 else ""
            wish.tell(0.1 + 0.85 * (before + part) / wish.searches, words + which)

        search = Search(
            context.cavity,
            rests[0].pour,
            len(soon.batches),
            wish.seed + number,
            FULL,
            wish.executor,
            tell,
            budget,
            laid,
            known if best is None else best.recipes,
            stays,
            rests,
        )
        try:
            found = search.run()
        except OutOfTime:
            break
        except KeyboardInterrupt:
            if best is None:
                raise
            best.interrupted = True
            break
        if best is None or (found.complete and found.value > best.value):
            best = found
        if not found.complete:
            best.interrupted = found.interrupted
            break
    return best or usual


def usual_recipes(context: PlanningContext, series: Series) -> tuple[Recipe, ...]:
    """Return the recipes that are used when no film is computed."""
    return tuple(
        eased(replace(DEFAULT_RECIPES[k % len(DEFAULT_RECIPES)], coat=k), batch.clock, context.rig)
        for k, batch in enumerate(series.batches)
    )


def silent(_fraction: float, _words: str) -> None:
    return
