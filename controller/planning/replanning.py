"""New plan for the remaining coats of a casting, from the coats that were really laid."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace

from evenwall.errors import PlanError
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import Casting, CoatPlan, Plan
from evenwall.model.details import LEARNT, LearntDetail
from evenwall.model.seal import sealed
from evenwall.planning.assemble import assemble, late_of
from evenwall.planning.batch import Batch, CoatDone
from evenwall.planning.coat_heat import Series
from evenwall.planning.context import COVER_MM, PlanningContext
from evenwall.planning.effort import FULL
from evenwall.planning.make import Progress, Wish, choose, silent
from evenwall.planning.recipe import Recipe
from evenwall.planning.search import Found, Search
from evenwall.planning.walls import Budget
from evenwall_bridge.contract import Clock

# With less time than the first, the remaining coats keep their spins, which come from a longer
# search; with less than the second there is no time for a film.
SEARCH_FROM_S, LEAST_FILM_S = 30.0, 5.0
PACE_MOST = 1.3  # of a coat's gel time over its plan's; beyond this something else is wrong


def replan(
    plan: Plan,
    done: Sequence[CoatDone],
    *,
    coats: int | None = None,
    room_degC: float | None = None,
    mould_degC: float | None = None,
    time_budget_s: float | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
    clock: Clock | None = None,
) -> Plan:
    """Plan the remaining coats of a casting again from the coats that were really laid.

    done: the first coats, in order. coats: the number still to lay; if absent, as many as the plan
    has left, or one more if they would be too thick. room_degC, mould_degC: today's temperatures if
    they differ. time_budget_s: with little time the spins are kept, and only weights, times and the
    wall are computed again. Returns the whole plan with its first coats as laid. Raises PlanError
    when the wall is already complete, or when the rest cannot be laid.
    """
    tell = progress or silent
    casting = today(plan.casting, room_degC, mould_degC)
    if not 0 < len(done) <= len(plan.coats):
        raise PlanError(
            "coats done", len(done), f"must be 1 to {len(plan.coats)}, the coats of the plan"
        )
    cavity = load_cavity(casting)
    if cavity.mesh_sha256 != plan.geometry.mesh_sha256:
        raise PlanError("mesh", casting.mesh.name, "has changed since the plan was made")
    laid = laid_coats(plan, done, cavity)
    left_mm = casting.wall_mm - sum(coat.mean_mm for coat in laid)
    if left_mm < 0.5 * COVER_MM:
        raise PlanError(
            "wall still to lay",
            f"{left_mm:.2f}",
            f"a coat must be {COVER_MM:g} mm to cover",
            unit="mm",
            hint="the wall is there: let it cure and open the mould",
        )
    learnt = LearntDetail.of(plan.details)
    context = PlanningContext(
        casting, plan.rig, cavity, pace_of(done), corrections=learnt.corrections
    )
    context.open = plan.coats[-1].opening_state == "open"
    count = context.count_left(left_mm, coats, max(1, len(plan.coats) - len(laid)))
    wish = Wish(plan.seed, time_budget_s, tell, executor, clock)
    made = _with_the_rest(plan, context, laid, context.batch(left_mm / count), count, wish)
    if learnt.castings:  # the wall that they expected was that of the whole plan
        learnt = learnt.model_copy(update={"wall_mm": {}, "sentences": learnt.sentences[:2]})
        said = {LEARNT: learnt.model_dump(mode="json")}
        made = made.model_copy(
            update={"details": {**made.details, **said}, "notes": (*learnt.sentences, *made.notes)}
        )
    tell(1.0, "done")
    return sealed(made)


def laid_coats(plan: Plan, done: Sequence[CoatDone], cavity: Cavity) -> tuple[CoatPlan, ...]:
    """Return the plan's first coats as they were laid. Raises PlanError where none was laid."""
    density = plan.casting.resin.sheet.cured_density_g_cm3
    laid = []
    for coat, real in zip(plan.coats, done, strict=False):
        share = real.mix_g / coat.mix_g
        stays = real.mix_g - real.cup_left_g - real.spill_g
        on_wall = stays * coat.wall_share
        if on_wall <= 0:
            raise PlanError(f"coat {coat.coat}", f"{on_wall:.1f}", "must be > 0", unit="g laid")
        laid.append(
            coat.model_copy(
                update={
                    "mean_mm": on_wall / density / cavity.area_cm2 * 10.0,
                    "mix_g": real.mix_g,
                    "part_a_g": coat.part_a_g * share,
                    "part_b_g": coat.part_b_g * share,
                    "cup_left_g": real.cup_left_g,
                    "spill_g": real.spill_g,
                    "lid_g": stays - on_wall,
                }
            )
        )
    return tuple(laid)


def _with_the_rest(
    plan: Plan,
    context: PlanningContext,
    laid: tuple[CoatPlan, ...],
    batch: Batch,
    count: int,
    wish: Wish,
) -> Plan:
    """Return the whole plan with a number of further coats; with little time, they keep the plan's
    spins."""
    planned = [Recipe(**one) for one in plan.details["recipes"]]
    recipes, kept = planned[: len(laid)], itertools.cycle(planned[len(laid) :] or planned)
    under = [(context.laid_pour(c), r) for c, r in zip(laid, recipes, strict=True)]
    same = tuple(replace(next(kept), coat=k) for k in range(count))
    rest = float((plan.details.get("heat") or {}).get("rest", 0.0))
    options: tuple[Series, ...] = (context.series(batch, count, laid, rest),)
    budget_s, found = wish.time_budget_s, Found()
    if budget_s is not None and budget_s < LEAST_FILM_S:
        found = Found(recipes=same, told=True)
    elif budget_s is None or budget_s >= SEARCH_FROM_S:
        options = context.rests(batch, count, laid)
        found = choose(context, options, wish, under, same, same)
    if not (found.told or found.interrupted):
        # The result of a short search may be worse than that of the longer search before.
        pour = context.pour(*options[0].batches)
        cavity, executor = context.cavity, wish.executor
        search = Search(cavity, pour, count, plan.seed, FULL, executor, wish.tell, Budget(), under)
        found = search.judge(same)
        if plan.wall.mesh_error_mm is not None:  # on these meshes, of these spins
            found.mesh_error = plan.wall.mesh_error_mm / plan.wall.mean_mm
    if found.recipes == same:
        found.late = late_of(plan.coats[-1].clock)
    found.recipes = (*recipes, *found.recipes)
    made = assemble(context, options, found, laid, plan.seed)
    if found.statistics is None and plan.wall.min_mm is not None:
        made = in_proportion(made, plan)
    if not found.tried:  # of the same spins: the figures that they were compared with
        details = {**made.details, "search": plan.details.get("search", {})}
        made = made.model_copy(update={"details": details})
    return made


def in_proportion(made: Plan, before: Plan) -> Plan:
    """Return the computed wall scaled to the new mean, when the spins are the same and there is no
    time for a film."""
    wall = before.wall
    scale = made.wall.mean_mm / wall.mean_mm
    figures = {
        name: value * scale
        for name, value in wall.model_dump(exclude_none=True).items()
        if name.endswith("_mm") and name not in ("target_mm", "mesh_mm")
    }
    note = "In proportion to the wall computed before: there was no time to compute it again."
    return made.model_copy(
        update={
            "wall": wall.model_copy(update={**figures, "note": note}),
            "limits": before.limits,
        }
    )


def today(casting: Casting, room_degC: float | None, mould_degC: float | None) -> Casting:
    """Return the casting with today's temperatures; None leaves one unchanged."""
    if room_degC is not None:
        shop = casting.shop.model_copy(update={"temp_degC": room_degC})
        casting = casting.model_copy(update={"shop": shop})
    if mould_degC is not None:
        mould = casting.mould.model_copy(update={"temp_degC": mould_degC})
        casting = casting.model_copy(update={"mould": mould})
    return casting


def pace_of(done: Sequence[CoatDone]) -> float:
    """Return the day's pace: that of the last coat, within the limits of what one gel can show."""
    return min(max(done[-1].pace, 1.0 / PACE_MOST), PACE_MOST)
