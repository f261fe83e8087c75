"""Making of a plan from a casting and a rig."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from evenwall.errors import PlanError
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import (
    Casting,
    Plan,
    RigSpec,
)
from evenwall.model.seal import sealed
from evenwall.planning.assembly import assemble
from evenwall.planning.batch import (
    Batch,
    Taught,
)
from evenwall.planning.context import DEFAULT_RECIPES, PlanningContext
from evenwall.planning.earlier import FORM, Earlier
from evenwall.planning.guesses import Guesses, form_of, guesses
from evenwall.planning.loading import check_reach
from evenwall.planning.recipe import Recipe, eased
from evenwall.planning.search import FULL, Effort, Found, Search
from evenwall.planning.walls import (
    Budget,
    OutOfTime,
    Pour,
)
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
    best is kept. time_budget_s: for all searches together. When it is spent, or at Ctrl-C, the best
    so far becomes the plan, and the plan says so; 0 computes no film and uses a usual recipe.
    progress: called with the fraction done and a few words. executor: where films are computed, any
    concurrent.futures executor; by default threads here. The same seed gives the same plan, unless
    the budget cut it short. clock: measures the budget. taught: what this mould's proven castings
    showed. earlier: plans whose spins are tried first if they are of this mould or of a similar
    form.
    """
    tell = progress or silent
    tell(0.0, "reading the mould")
    cavity = load_cavity(casting)
    check_reach(casting, cavity, rig)
    check_neck(casting, cavity)
    tell(0.05, "weighing and timing")
    context = PlanningContext(casting, rig, cavity, taught=taught)
    count = context.count_for(casting.wall_mm, casting.coats)
    batch = context.batch(casting.wall_mm / count)
    if context.open:
        batch = context.left_open(batch)
    start = guesses(earlier, casting, cavity, count, context.pour(batch)) if earlier else Guesses()
    wish = Wish(seed, time_budget_s, tell, executor, clock, searches)
    found = choose(context, batch, count, wish, known=start.known, stays=start.stays)
    plan = assemble(context, batch, found, (), seed)
    form = [round(float(value), 4) for value in form_of(cavity)]
    plan = plan.model_copy(update={"details": {**plan.details, FORM: form}})
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
    effort: Effort = FULL


def choose(
    context: PlanningContext,
    batch: Batch,
    count: int,
    wish: Wish,
    laid: Sequence[tuple[Pour, Recipe]] = (),
    known: tuple[Recipe, ...] = (),
    stays: tuple[Recipe, ...] = (),
) -> Found:
    """Return the recipes of the coats still to pour. `known` and `stays`: see Search."""
    budget_s = math.inf if wish.time_budget_s is None else wish.time_budget_s
    some = [eased(one, batch.clock, context.rig) for one in DEFAULT_RECIPES]
    usual = Found(recipes=tuple(some[k % len(some)] for k in range(count)))
    if budget_s <= 0:
        return usual
    watch = wish.clock or SystemClock()
    budget, best = Budget(watch, watch.now_s() + budget_s), None
    for number in range(wish.searches):

        def tell(part: float, words: str, before: int = number) -> None:
            which = f", search {before + 1} of {wish.searches}" if wish.searches > 1 else ""
            wish.tell(0.1 + 0.85 * (before + part) / wish.searches, words + which)

        search = Search(
            context.cavity,
            context.pour(batch),
            count,
            wish.seed + number,
            wish.effort,
            wish.executor,
            tell,
            budget,
            laid,
            known if best is None else best.recipes,
            stays,
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


def silent(_fraction: float, _words: str) -> None:
    return


def check_neck(casting: Casting, cavity: Cavity) -> None:
    """Raise PlanError if the wall would close the narrowest passage or the mouth."""
    radius, where = cavity.neck_radius_mm()
    mouth = math.sqrt(cavity.opening.area_cm2 * 100.0 / math.pi)
    place = f"the neck near {[round(float(x)) for x in where]} mm"
    if mouth < radius:
        radius, place = mouth, "the opening"
    if casting.wall_mm >= radius:
        raise PlanError(
            "wall_mm",
            casting.wall_mm,
            f"{place} has a radius of {radius:.1f} mm and would close",
            unit="mm",
            hint=f"a wall of {0.6 * radius:.1f} mm or less leaves a way for the resin",
        )
