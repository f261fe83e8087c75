"""From a casting and a rig to a plan."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenwall.errors import OutsideValidity, PlanError
from evenwall.geometry.film_mesh import mesh_mm_for
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import (
    Casting,
    CoatClock,
    CoatPlan,
    Geometry,
    Plan,
    Ramp,
    RigSpec,
    Totals,
    WallSummary,
)
from evenwall.model.seal import sealed
from evenwall.numerics import cure
from evenwall.numerics.film import WallStatistics
from evenwall.planning.advice import cautions, moisture, shopping
from evenwall.planning.batch import (
    CLOSE_UP_S,
    Batch,
    CoatDone,
    Taught,
    cure_sheet,
    make_batch,
    mix,
    parts_g,
    probe_in_cup,
    turn_by_s,
    viscosity_table,
)
from evenwall.planning.coat_heat import heat_between_coats, heat_caution
from evenwall.planning.in_words import clock_words
from evenwall.planning.limits import what_limits
from evenwall.planning.loading import check_load, check_reach
from evenwall.planning.recipe import Recipe, eased, profile, ramps, start_angles, time_of
from evenwall.planning.search import FULL, Found, Search
from evenwall.planning.shape_error import shape_notes, with_shape_error
from evenwall.planning.walls import (
    COARSE,
    Budget,
    Grid,
    OutOfTime,
    Pour,
    Timed,
    run_over,
)
from evenwall.units import G_M_S2, metres, millimetres, rad_s
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

Progress = Callable[[float, str], None]

COVER_MM = 0.6  # a thinner coat leaves dry places: common practice, no source
# Of the scale of the film that a turning cylinder holds, h* = sqrt(nu Omega R/g) (Moffatt 1977: it
# holds 0.70 h*; a sphere on two axes held 0.5 but not 0.65, by our own film), at the viscosity a
# quarter of the way to the gel.
HOLD_SHARE = 0.6
LEVEL_SHARE = 0.8  # of the rig's fastest turning, for levelling
SLUMP = 2.0  # a stated coat beyond so many times what is held is refused
# With less time than this the rest of a run keeps its spins, which were searched for longer; with
# less than that there is no time for a film.
SEARCH_FROM_S, LEAST_FILM_S = 30.0, 5.0
PACE_MOST = 1.3  # of a coat's gel against its plan; beyond it something else is wrong
MOST_COATS, THICKEST_MM = 12, 20.0
STANDS = (0.0, 0.5, 1.0)  # shares of how long a mix may stand before it is poured: what is tried
ROUGH_CELLS = 500
MARGIN_S = 60.0  # less than this to begin turning is said before a plan is taken
RUNS_OUT_MOST = 0.3  # of a pour; more cannot be made up by pouring more
WEIGH_MIN = 10.0  # preparing and weighing before the first parts meet

CAP = "Cap the opening while it turns: an open mouth that points down pours the coat out again."

TRAY = "Stand a drip tray under the frame; what is in it is never poured back."

# What is turned when no film is computed.
DEFAULT_RECIPES = (
    Recipe(bias=0.02),
    Recipe(bias=-0.03, rim_bias=-0.2),
    Recipe(bias=0.0, reverse=True),
)


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
) -> Plan:
    """Plan a casting. Raises PlanError in one line where no plan can work.

    searches: so many, from seeds that follow each other, each beginning with the best so far; the
    best is kept. time_budget_s: for all of them; when it is spent, or at Ctrl-C, the best so far
    becomes the plan, and the plan says so; 0 computes no film and turns a usual recipe. progress:
    called with the fraction done and a few words. executor: where films are computed, any
    concurrent.futures executor; by default threads here. The same seed gives the same plan, unless
    the budget cut it short. clock: what the budget is measured with. taught: what this mould's
    proven castings said.
    """
    tell = progress or _silent
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
    wish = Wish(seed, time_budget_s, tell, executor, clock, searches)
    found = choose(context, batch, count, wish)
    plan = assemble(context, batch, found, (), seed)
    tell(1.0, "done")
    return sealed(plan)


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
    """Plan the rest again from what was really laid.

    done: the first coats, in order. coats: how many more to lay; absent, as many as the plan had
    left, or one more where they would grow too thick. room_degC, mould_degC: today's, where they
    differ. time_budget_s: with little the spins are kept, and only weighed, timed and computed
    anew. Returns the whole plan, its first coats as they were laid. Raises PlanError when the wall
    is already there, or when the rest cannot be laid.
    """
    tell = progress or _silent
    casting = today(plan.casting, room_degC, mould_degC)
    if not 0 < len(done) <= len(plan.coats):
        raise PlanError(
            "coats done", len(done), f"must be 1 to {len(plan.coats)}, the coats of the plan"
        )
    cavity = load_cavity(casting)
    if cavity.mesh_sha256 != plan.geometry.mesh_sha256:
        raise PlanError("mesh", casting.mesh.name, "has changed since the plan was made")
    density = casting.resin.sheet.mixed_density_g_cm3
    laid = []
    for coat, real in zip(plan.coats, done, strict=False):
        on_wall = real.mix_g - real.cup_left_g - real.spill_g
        if on_wall <= 0:
            raise PlanError(f"coat {coat.coat}", f"{on_wall:.1f}", "must be > 0", unit="g laid")
        share = real.mix_g / coat.mix_g
        laid.append(
            coat.model_copy(
                update={
                    "mean_mm": on_wall / density / cavity.area_cm2 * 10.0,
                    "mix_g": real.mix_g,
                    "part_a_g": coat.part_a_g * share,
                    "part_b_g": coat.part_b_g * share,
                    "cup_left_g": real.cup_left_g,
                    "spill_g": real.spill_g,
                }
            )
        )
    left_mm = casting.wall_mm - sum(coat.mean_mm for coat in laid)
    if left_mm < 0.5 * COVER_MM:
        raise PlanError(
            "wall still to lay",
            f"{left_mm:.2f}",
            f"a coat must be {COVER_MM:g} mm to cover",
            unit="mm",
            hint="the wall is there: let it cure and open the mould",
        )
    context = PlanningContext(casting, plan.rig, cavity, pace_of(done))
    context.open = plan.coats[-1].opening_state == "open"
    count = context.count_left(left_mm, coats, max(1, len(plan.coats) - len(laid)))
    batch = context.batch(left_mm / count)
    planned = [Recipe(**one) for one in plan.details["recipes"]]
    recipes, kept = planned[: len(laid)], itertools.cycle(planned[len(laid) :] or planned)
    under = [(context.laid_pour(c), r) for c, r in zip(laid, recipes, strict=True)]
    same, found = tuple(itertools.islice(kept, count)), Found()
    if time_budget_s is not None and time_budget_s < LEAST_FILM_S:
        found = Found(recipes=same, told=True)
    elif time_budget_s is None or time_budget_s >= SEARCH_FROM_S:
        wish = Wish(plan.seed, time_budget_s, tell, executor, clock)
        found = choose(context, batch, count, wish, under, same, same)
    if not (found.told or found.interrupted):
        # What a search has come to by then may be worse than what was searched for longer before.
        pour = context.pour(batch)
        judge = Search(cavity, pour, count, plan.seed, FULL, executor, tell, Budget(), under)
        found = judge.judge(same)
        if plan.wall.mesh_error_mm is not None:  # on these meshes, of these spins
            found.mesh_error = plan.wall.mesh_error_mm / plan.wall.mean_mm
    if found.recipes == same:
        found.late = late_of(plan.coats[-1].clock)
    found.recipes = (*recipes, *found.recipes)
    made = assemble(context, batch, found, tuple(laid), plan.seed)
    if found.statistics is None and plan.wall.min_mm is not None:
        made = in_proportion(made, plan)
    if not found.tried:  # of the same spins: what they were compared with
        details = {**made.details, "search": plan.details.get("search", {})}
        made = made.model_copy(update={"details": details})
    tell(1.0, "done")
    return sealed(made)


def in_proportion(made: Plan, before: Plan) -> Plan:
    """With the same spins and no time for a film: the wall as it was computed, to the new mean."""
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
    """The casting in the shop as it is now; None: as it was."""
    if room_degC is not None:
        shop = casting.shop.model_copy(update={"temp_degC": room_degC})
        casting = casting.model_copy(update={"shop": shop})
    if mould_degC is not None:
        mould = casting.mould.model_copy(update={"temp_degC": mould_degC})
        casting = casting.model_copy(update={"mould": mould})
    return casting


def pace_of(done: Sequence[CoatDone]) -> float:
    """The day's pace: the last coat's own, as far as one gel may be believed."""
    return min(max(done[-1].pace, 1.0 / PACE_MOST), PACE_MOST)


class PlanningContext:
    """The casting with what is worked out once: mould, kinetics, the day's temperatures.

    pace: this batch's gel over the sheet's. taught: by this mould.
    """

    def __init__(
        self,
        casting: Casting,
        rig: RigSpec,
        cavity: Cavity,
        pace: float = 1.0,
        taught: Taught | None = None,
    ) -> None:
        self.taught, self.witness = taught or Taught(), probe_in_cup(rig)
        self.open = casting.opening.state == "open"
        self.runs_out = 0.0  # of a pour, over the open mouth
        self.casting, self.rig, self.cavity = casting, rig, cavity
        sheet = cure_sheet(casting.resin.sheet)
        sheet = dataclasses.replace(sheet, pot_life_s=pace * sheet.pot_life_s)
        self.kin = cure.kinetics_from_sheet(sheet)
        self.shop_degC = casting.shop.temp_degC
        mould_degC = casting.mould.temp_degC
        self.mould_degC = self.shop_degC if mould_degC is None else mould_degC
        self.density_kg_m3 = casting.resin.sheet.mixed_density_g_cm3 * 1e3
        x, y, z = (float(part) for part in cavity.opening_direction())
        self.opening = (x, y, z)

    def weights_g(self, mean_mm: float, spill_g: float) -> tuple[float, float]:
        """Grams to mix and to leave behind."""
        sheet = self.casting.resin.sheet
        area = self.cavity.area_cm2
        stays = self.taught.stays
        return mix(mean_mm, area, spill_g, sheet, witness=self.witness, stays=stays)

    def left_open(self, batch: Batch) -> Batch:
        """The batch with what runs over the open mouth, by usual spins on a rough mesh.

        Where most would pour out at the first turn there is no such plan: it is made for a capped
        mouth, and says so.
        """
        grid = Grid.of(self.cavity, mesh_mm_for(self.cavity.area_cm2, ROUGH_CELLS), COARSE)
        pour = self.pour(batch)
        _, spilt_m3 = run_over(grid, pour, DEFAULT_RECIPES, 1)
        self.runs_out = float(np.mean(spilt_m3)) / pour.volume_m3
        if self.runs_out > RUNS_OUT_MOST:
            self.open = False
            return batch
        spilt_m3 = run_over(grid, pour, DEFAULT_RECIPES, 2)[1]
        spill_g = float(np.mean(spilt_m3)) * self.density_kg_m3 * 1e3
        return self.batch(batch.mean_mm, spill_g=spill_g)

    def batch(
        self, mean_mm: float, *, spill_g: float = 0.0, colder_K: float = 0.0, stand: float = 0.0
    ) -> Batch:
        """One coat weighed and timed, in a shop colder by so much. stand: see make_batch."""
        return make_batch(
            self.casting,
            self.kin,
            mean_mm,
            self.weights_g(mean_mm, spill_g),
            spill_g,
            self.shop_degC - colder_K,
            self.mould_degC - colder_K,
            stand,
        )

    def times(self, batch: Batch) -> tuple[Batch, ...]:
        """The batch, poured at once, and after it has stood; alone, where it may not stand."""
        stood = [
            self.batch(batch.mean_mm, spill_g=batch.spill_g, stand=share) for share in STANDS[1:]
        ]
        return (batch, *(one for one in stood if one.clock.pour_from_s > 0.0))

    def pour(self, batch: Batch) -> Pour:
        """A batch as the film needs it."""
        times = [
            Timed(np.array(viscosity_table(one.history)), one.clock) for one in self.times(batch)
        ]
        return self._pour(batch.mean_mm, batch.spill_g, tuple(times))

    def laid_pour(self, coat: CoatPlan) -> Pour:
        """A coat already on the wall, likewise."""
        times = (Timed(np.array(coat.viscosity), coat.clock),)
        return self._pour(coat.mean_mm, coat.spill_g, times)

    def _pour(self, mean_mm: float, spill_g: float, times: tuple[Timed, ...]) -> Pour:
        return Pour(
            spilt_m3=spill_g / self.density_kg_m3 * 1e-3,
            mean_m=metres(mean_mm),
            volume_m3=self.cavity.area_cm2 * 1e-4 * metres(mean_mm),
            density_kg_m3=self.density_kg_m3,
            times=times,
            rig=self.rig,
            opening=self.opening,
            open=self.open,
        )

    def hold_mm(self, batch: Batch) -> float:
        """The coat that the rotation holds as it thickens: see HOLD_SHARE."""
        early_s = 0.75 * batch.clock.spin_from_s + 0.25 * batch.clock.gel_expected_s
        viscosity = np.interp(early_s, batch.history.time_s, batch.history.viscosity_Pa_s)
        radius = math.sqrt(self.cavity.area_cm2 * 1e-4 / (4 * math.pi))
        speed = rad_s(LEVEL_SHARE * self.rig.rate_limit_rpm)
        scale = math.sqrt(float(viscosity) / self.density_kg_m3 * speed * radius / G_M_S2)
        limit = math.inf if (most := self.casting.resin.max_section_mm) is None else most
        return min(HOLD_SHARE * scale * 1e3, limit)

    def count_for(self, wall_mm: float, stated: int | None) -> int:
        """As many coats as stated, else the fewest whose coat the rotation holds."""
        if stated is not None:
            self._check_stated(wall_mm, stated)
            return stated
        thickest, too_short = 0.0, None
        for count in range(1, MOST_COATS + 1):
            mean = wall_mm / count
            try:
                limit = self._held_mm(mean)
            except PlanError as why:  # so much resin leaves no time to pour it: less may
                too_short = why
                continue
            thickest = max(thickest, limit)
            if mean <= limit:
                return count
            if mean < COVER_MM:
                break
        if too_short is not None and not thickest:
            raise too_short
        raise PlanError(
            "wall_mm",
            wall_mm,
            f"no number of coats up to {MOST_COATS} does it: a coat holds at most {thickest:.2f} mm"
            + ("" if thickest >= COVER_MM else f" and must be {COVER_MM:g} mm to cover"),
            unit="mm",
            hint=self._thicker(thickest),
        )

    def _held_mm(self, mean_mm: float) -> float:
        """Return the batch of a coat so thick; the cure's law ends at a coat of 2 cm."""
        return self.hold_mm(self.batch(min(mean_mm, THICKEST_MM)))

    def _thicker(self, thickest_mm: float) -> str:
        """Say what would let a coat be thick enough to cover."""
        if thickest_mm >= COVER_MM:
            return f"a wall of {thickest_mm * MOST_COATS:.1f} mm would do"
        # What is held grows with the root of the speed, and of the viscosity.
        more = (COVER_MM / thickest_mm) ** 2
        return (
            f"a rig that turns {more * self.rig.rate_limit_rpm:.0f} rpm, or a resin {more:.1f} "
            "times as thick, would hold that much"
        )

    def _check_stated(self, wall_mm: float, count: int) -> None:
        mean = wall_mm / count
        limit = self._held_mm(mean)
        if mean > SLUMP * limit:
            speed = LEVEL_SHARE * self.rig.rate_limit_rpm
            wanted = math.ceil(wall_mm / limit)
            hint = f"{wanted} coats would do"
            if wanted > MOST_COATS or wall_mm / wanted < COVER_MM:
                # What is held grows with the root of the speed, and of the viscosity.
                more = (mean / limit) ** 2
                hint = (
                    f"a rig that turns {more * self.rig.rate_limit_rpm:.0f} rpm, a resin "
                    f"{more:.0f} times as thick, or a wall of {count * limit:.1f} mm would do"
                )
            raise PlanError(
                "coats",
                count,
                f"each would be {mean:.2f} mm; this resin holds about {limit:.2f} mm at "
                f"{speed:.3g} rpm and slumps",
                hint=hint,
            )
        if mean < 0.5 * COVER_MM:
            raise PlanError(
                "coats",
                count,
                f"each would be {mean:.2f} mm and leave dry places; {COVER_MM:g} mm covers",
                hint=f"{max(1, int(wall_mm / COVER_MM))} coats or fewer",
            )

    def count_left(self, left_mm: float, stated: int | None, planned: int) -> int:
        """As many coats as stated; else as the plan had, one more where they would slump."""
        if stated is not None:
            self._check_stated(left_mm, stated)
            return stated
        limit = self.hold_mm(self.batch(left_mm / planned))
        return planned if left_mm / planned <= 1.15 * limit else planned + 1


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
    batch: Batch,
    count: int,
    wish: Wish,
    laid: Sequence[tuple[Pour, Recipe]] = (),
    known: tuple[Recipe, ...] = (),
    stays: tuple[Recipe, ...] = (),
) -> Found:
    """The recipes of the coats still to lay; `known` and `stays` as a Search has them."""
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
            FULL,
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


def _silent(_fraction: float, _words: str) -> None:
    return


def check_neck(casting: Casting, cavity: Cavity) -> None:
    """The wall must leave a way through the narrowest passage and the mouth."""
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


def assemble(
    context: PlanningContext, batch: Batch, found: Found, laid: tuple[CoatPlan, ...], seed: int
) -> Plan:
    """Put laid and chosen coats together: totals, load, cautions."""
    casting, rig, cavity = context.casting, context.rig, context.cavity
    sheet, area = casting.resin.sheet, cavity.area_cm2
    fresh = found.recipes[len(laid) :]
    times = context.times(batch)
    batches = [time_of(recipe, times) for recipe in fresh]
    profiles = [
        profile(recipe, one.clock, rig, context.opening)
        for recipe, one in zip(fresh, batches, strict=True)
    ]
    coats = laid + tuple(
        lay(context, one, found, k, recipe, ramps(ramped))
        for k, (one, recipe, ramped) in enumerate(
            zip(batches, fresh, profiles, strict=True), len(laid)
        )
    )
    hollow = sum(c.mix_g - c.cup_left_g - c.spill_g for c in coats)
    solid = cavity.solid_volume_cm3 * sheet.mixed_density_g_cm3
    resin = sum(c.mix_g for c in coats)
    price = casting.resin.price_per_kg
    demould_min = demould_from_min([coat.clock for coat in coats], batches[-1].demould_s)
    # What is poured last has the least time to let its bubbles go.
    latest = max(batches, key=lambda one: one.clock.spin_from_s)
    said, bubble = cautions(casting, latest, context.mould_degC)
    said += slump_caution(context, batch)
    details: dict[str, Any] = {
        "load": check_load(casting, cavity, rig, profiles, hollow * 1e-3, batch.mix_g * 1e-3),
        "shop": {
            "dew_point_degC": moisture(casting, context.mould_degC)[0],
            "shopping": shopping(casting, batch, len(fresh)),
            "five_K_colder": colder(context, batches[0], len(coats)),
        },
        "clarity": {"smallest_escaping_bubble_mm": round(bubble, 3)},
        "coat_limits_mm": {"cover": COVER_MM, "hold": round(context.hold_mm(batch), 2)},
        "search": {**search_details(found), **baseline_coat(context, batch, found)},
        "recipes": [dataclasses.asdict(recipe) for recipe in found.recipes],
        "heat": heat_between_coats(
            casting, context.kin, batch, len(coats), context.shop_degC, context.mould_degC
        ),
    }
    wall_mm = sum(c.mean_mm for c in coats)
    wall = with_shape_error(wall_summary(casting, wall_mm, found), casting)
    return Plan(
        casting=casting,
        rig=rig,
        seed=seed,
        geometry=Geometry(
            area_cm2=area,
            solid_volume_cm3=cavity.solid_volume_cm3,
            opening=cavity.opening,
            mesh_sha256=cavity.mesh_sha256,
        ),
        coats=coats,
        wall=wall,
        totals=Totals(
            resin_g=resin,
            hollow_g=hollow,
            solid_g=solid,
            saved_fraction=1.0 - hollow / solid,
            cost=None if price is None else resin * 1e-3 * price,
            elapsed_min=demould_min + WEIGH_MIN,
            demould_from_min=demould_min,
        ),
        cautions=(
            *opening_caution(context, coats[len(laid) :]),
            *standing_caution(coats[len(laid) :]),
            *margin_caution(coats[len(laid) :]),
            *heat_caution(details["heat"]),
            *said,
        ),
        notes=(
            *cavity.notes,
            *shape_notes(casting),
            *taught_notes(context.taught, found),
            rim_is_not_the_wall(hollow, area, wall_mm),
        ),
        limits=what_limits(cavity, found, wall, len(coats), COVER_MM),
        details=details,
    )


def lay(
    context: PlanningContext,
    batch: Batch,
    found: Found,
    index: int,
    recipe: Recipe,
    turned: tuple[Ramp, ...],
) -> CoatPlan:
    """One coat as the plan's file has it. Of an open mould each loses grams of its own."""
    mean_mm, spill_g = batch.mean_mm, batch.spill_g
    if found.spilt_m3 is not None and found.grid is not None:
        k = index - (len(found.recipes) - len(found.coats_m))
        area = found.grid.weights.area
        mean_mm = millimetres(float(found.coats_m[k] @ area / area.sum()))
        spill_g = float(found.spilt_m3[k]) * context.density_kg_m3 * 1e3
    mix_g, left_g = context.weights_g(mean_mm, spill_g)
    part_a_g, part_b_g = parts_g(mix_g, context.casting.resin.sheet)
    return CoatPlan(
        coat=index + 1,
        mean_mm=mean_mm,
        mix_g=mix_g,
        part_a_g=part_a_g,
        part_b_g=part_b_g,
        cup_left_g=left_g,
        spill_g=spill_g,
        clock=turned_by(batch.clock, found.late),
        start_deg=start_angles(recipe, context.opening),
        ramps=turned,
        viscosity=viscosity_table(batch.history),
        opening_state="open" if context.open else "capped",
    )


def turned_by(clock: CoatClock, late: float) -> CoatClock:
    """With when turning must have begun, by a share of the gel."""
    return clock.model_copy(update={"turn_by_s": clock.spin_from_s + late * clock.gel_expected_s})


def late_of(clock: CoatClock) -> float:
    """The share again."""
    return (turn_by_s(clock) - clock.spin_from_s) / clock.gel_expected_s


def baseline_coat(context: PlanningContext, batch: Batch, found: Found) -> dict[str, Any]:
    """Turning of the compared 4:1, poured at once: the parts that differ from the plan's own."""
    if not found.baseline:
        return {}
    recipe = found.baseline_recipe
    turned = ramps(profile(recipe, batch.clock, context.rig, context.opening))
    coat = lay(context, batch, Found(), 0, recipe, turned)
    differs = {"clock", "start_deg", "ramps", "viscosity"}
    return {"baseline_coat": coat.model_dump(mode="json", include=differs)}


def opening_caution(context: PlanningContext, coats: Sequence[CoatPlan]) -> list[str]:
    """Cautions about the mouth while it turns."""
    poured_g = sum(c.mix_g - c.cup_left_g for c in coats)
    if context.open:
        spilt_g = sum(c.spill_g for c in coats)
        return [
            f"The mouth is open while it turns: of {poured_g:.0f} g poured about {spilt_g:.0f} g "
            f"run over. {TRAY} A cap would save them."
        ]
    if context.runs_out:
        return [
            "The casting file leaves the mouth open, but of each "
            f"{poured_g / len(coats):.0f} g pour about "
            f"{context.runs_out * poured_g / len(coats):.0f} g would "
            f"run out at the first turn: this plan is for a capped mouth. {TRAY}",
            CAP,
        ]
    return [CAP]


def standing_caution(coats: Sequence[CoatPlan]) -> list[str]:
    """Cautions while a mix stands in its cup."""
    stand = [str(coat.coat) for coat in coats if coat.clock.pour_from_s > 0.0]
    if not stand:
        return []
    which = f"coat {stand[0]}" if len(stand) == 1 else f"coats {', '.join(stand)}"
    return [
        f"The mix of {which} stands in its cup before it is poured, and warms itself there: "
        "leave the cup open, and pour at once if it grows hot or draws threads."
    ]


def margin_caution(coats: Sequence[CoatPlan]) -> list[str]:
    """Say where a person has less than MARGIN_S to spare before turning must begin."""
    spare_s = {
        coat: coat.clock.turn_by_s - coat.clock.spin_from_s
        for coat in coats
        if coat.clock.turn_by_s is not None
    }
    tightest = min(spare_s, key=lambda coat: spare_s[coat], default=None)
    if tightest is None or spare_s[tightest] >= MARGIN_S:
        return []
    return [
        f"Coat {tightest.coat} leaves {max(0.0, spare_s[tightest]):.0f} s to spare: turning must "
        f"begin by {clock_words(tightest.clock.turn_by_s or 0.0)} after its parts meet, or the "
        "wall comes out less even. A slower resin, smaller coats, a cooler shop or less degassing "
        "would leave more."
    ]


def taught_notes(taught: Taught, found: Found) -> list[str]:
    """Notes on the changes that the mould's own past makes."""
    said = []
    if abs(taught.stays - 1.0) >= 0.005:
        said.append(
            f"In {taught.castings} proven castings this mould held {taught.stays:.3f} of "
            "the resin foreseen for it: the weights allow for that."
        )
    s = found.statistics
    if s is not None and abs(taught.rim_factor - 1.0) >= 0.02:
        said.append(
            f"Its rims came out {taught.rim_factor:.2f} times as foreseen against the wall: expect "
            f"{taught.rim_factor * s.rim / s.mean:.2f} of the mean there, not {s.rim / s.mean:.2f}."
        )
    return said


def slump_caution(context: PlanningContext, batch: Batch) -> list[str]:
    limit = context.hold_mm(batch)
    if batch.mean_mm <= limit:
        return []
    return [
        f"A coat of {batch.mean_mm:.1f} mm is more than the {limit:.1f} mm this resin holds while "
        "it turns: it may slump before it thickens. More coats would be surer."
    ]


def colder(context: PlanningContext, batch: Batch, coats: int) -> dict[str, float] | str:
    """Changes in a shop 5 K colder."""
    try:
        cold = context.batch(batch.mean_mm, colder_K=5.0)
    except (PlanError, OutsideValidity) as error:
        return str(error)
    return {
        "gel_expected_min": round(cold.clock.gel_expected_s / 60.0, 1),
        "gel_later_min": round((cold.clock.gel_expected_s - batch.clock.gel_expected_s) / 60.0, 1),
        "pour_by_min": round(cold.clock.pour_by_s / 60.0, 1),
        "next_pour_from_min": round(cold.clock.next_pour_from_s / 60.0, 1),
        "demould_from_min": round(demould_from_min([cold.clock] * coats, cold.demould_s), 1),
    }


def wall_summary(casting: Casting, wall_mm: float, found: Found) -> WallSummary:
    """The computed wall in mm; without a film, the area average alone, and it says so."""
    if found.statistics is None or found.grid is None:
        return WallSummary(
            target_mm=casting.wall_mm,
            mean_mm=wall_mm,
            note="An area average: resin over skin. The wall from place to place is not computed.",
        )
    s = found.statistics
    scale = wall_mm / s.mean  # the film mesh's area is a hair smaller than the casting's
    return WallSummary(
        target_mm=casting.wall_mm,
        mean_mm=wall_mm,
        min_mm=s.min * scale,
        min_point_mm=s.min_point * scale,
        p05_mm=s.p05 * scale,
        p95_mm=s.p95 * scale,
        rim_mm=s.rim * scale,
        rim_min_mm=s.rim_min * scale,
        cv=s.cv,
        mesh_mm=found.grid.mesh_mm,
        mesh_error_mm=None if found.mesh_error is None else found.mesh_error * wall_mm,
        worst_case_min_mm=None if found.worst_min is None else found.worst_min * wall_mm,
        bound_min_mm=None if found.bound is None else found.bound * wall_mm,
        note="Thinnest patch of 12 mm, computed"
        + (
            f" on cells of {found.grid.mesh_mm:.1f} mm alone: what is smaller than they are is not "
            "seen, and may be thinner."
            if found.mesh_error is None
            else "; the error is judged from the meshes it was computed on."
        )
        + ("" if found.complete else " The search was cut short: the best so far."),
    )


def search_details(found: Found) -> dict[str, Any]:
    """Summary of the search, for the report."""
    if not found.baseline or found.statistics is None:
        return {"films": 0, "interrupted": found.interrupted}
    return {
        "films": found.tried,
        "complete": found.complete,
        "interrupted": found.interrupted,
        "score_by_films": [[count, round(value, 4)] for count, value in found.history],
        "baseline": found.baseline,
        "baseline_recipe": dataclasses.asdict(found.baseline_recipe),
        "worst_day": found.worst_days[0].name if found.worst_days else None,
        "gain_over_baseline": gain_over(found.baseline["min_over_mean"], found.statistics),
    }


def gain_over(plain: float, s: WallStatistics) -> float | None:
    """Gain over the baseline's thinnest patch; None where that one is bare."""
    return round(s.min / s.mean / plain, 3) if plain > 0.0 else None


def demould_from_min(clocks: Sequence[CoatClock], last_demould_s: float) -> float:
    """From the first coat's parts meeting to demoulding, pouring each coat when it first may."""
    met_s = 0.0
    for before, after in itertools.pairwise(clocks):
        met_s += before.next_pour_from_s - (after.spin_from_s - CLOSE_UP_S)
    return (met_s + last_demould_s) / 60.0


def rim_is_not_the_wall(hollow_g: float, area_cm2: float, wall_mm: float) -> str:
    return (
        f"The rim is not the wall: {hollow_g:.0f} g on {area_cm2:.0f} cm2 of skin averages "
        f"{wall_mm:.1f} mm, whatever a rim measures."
    )
