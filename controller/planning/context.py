"""Context of one plan: the casting with its weights, times and number of coats."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from evenwall.errors import PlanError
from evenwall.geometry.film_mesh import mesh_mm_for
from evenwall.geometry.mould import Cavity
from evenwall.model import Casting, CoatPlan, RigSpec
from evenwall.model.details import Corrections
from evenwall.numerics import cure
from evenwall.planning.batch import (
    CLOSE_UP_S,
    Batch,
    Taught,
    cure_sheet,
    make_batch,
    mix,
    probe_in_cup,
    viscosity_table,
)
from evenwall.planning.coat_heat import OnWall, Series, wall_of, warm_series
from evenwall.planning.recipe import Recipe
from evenwall.planning.walls import COARSE, Grid, Pour, Timed, run_over
from evenwall.units import G_M_S2, metres, rad_s

COVER_MM = 0.6  # a thinner coat leaves dry places: common practice, no source
# Share of the film scale that a turning cylinder holds, h* = sqrt(nu Omega R/g), at the viscosity a
# quarter of the way to the gel. A cylinder holds 0.70 h* (Moffatt 1977); by our own film, a sphere
# on two axes held 0.5 but not 0.65.
HOLD_SHARE = 0.6
LEVEL_SHARE = 0.8  # share of the rig's highest speed, for levelling
SLUMP = 2.0  # a stated coat thicker than this many times the thickness that is held is refused
MOST_COATS, THICKEST_MM = 12, 20.0
STANDS = (0.0, 0.5, 1.0)  # shares of the longest wait before the pour that are tried
# Shares of the bonding window by which the next coat may wait while the wall cools. A longer wait
# would leave too little of the window for being late (our choice).
RESTS = (0.35, 0.7)
ROUGH_CELLS = 500
RUNS_OUT_MOST = 0.3  # of a pour; a larger loss cannot be made up by pouring more

# The recipe that is used when no film is computed.
DEFAULT_RECIPES = (
    Recipe(bias=0.02),
    Recipe(bias=-0.03, rim_bias=-0.2),
    Recipe(bias=0.0, reverse=True),
)


class PlanningContext:
    """A casting with everything that is computed once: mould, kinetics, and the day's temperatures.

    pace: this batch's gel time over the sheet's. taught: the lessons of earlier castings of this
    mould. corrections: those of its measured castings in this resin.
    """

    def __init__(
        self,
        casting: Casting,
        rig: RigSpec,
        cavity: Cavity,
        pace: float = 1.0,
        taught: Taught | None = None,
        corrections: Corrections | None = None,
    ) -> None:
        self.corrections = corrections or Corrections()
        self.taught, self.witness = taught or Taught(), probe_in_cup(rig)
        self.open = casting.opening.state == "open"
        self.runs_out = 0.0  # share of a pour that runs over the open mouth
        self.casting, self.rig, self.cavity = casting, rig, cavity
        sheet = cure_sheet(casting.resin.sheet)
        sheet = dataclasses.replace(
            sheet,
            pot_life_s=pace * self.corrections.gel * sheet.pot_life_s,
            viscosity_Pa_s=self.corrections.viscosity * sheet.viscosity_Pa_s,
        )
        self.kin = cure.kinetics_from_sheet(sheet)
        self.shop_degC = casting.shop.temp_degC
        mould_degC = casting.mould.temp_degC
        self.mould_degC = self.shop_degC if mould_degC is None else mould_degC
        self.density_kg_m3 = casting.resin.sheet.mixed_density_g_cm3 * 1e3
        x, y, z = (float(part) for part in cavity.opening_direction())
        self.opening = (x, y, z)

    def weights_g(self, mean_mm: float, spill_g: float) -> tuple[float, float]:
        """Return the grams to mix and the grams to leave behind."""
        sheet = self.casting.resin.sheet
        area = self.cavity.area_cm2
        lid_g = self.lid_g(mean_mm)
        stays = 1.0 if self.taught.walls else self.taught.stays  # measured walls: see `lid_g`
        return mix(mean_mm, area, spill_g, sheet, lid_g=lid_g, witness=self.witness, stays=stays)

    def lid_g(self, mean_mm: float) -> float:
        """Return the grams of a pour that a wetted cap takes; 0 without a cap.

        The cap turns over with the mould through all directions like any other wall, so it is taken
        to hold as thick a film on average. A solver with a wetted lid in its mesh found 6.6 and
        10.5 % of the pour on two moulds where this rule gives 6.3 and 12.5 %. The mean wall is
        right to 2 %. Resin that measured castings lacked beside the lid's is counted with it.
        """
        per_cm2 = mean_mm * 0.1 * self.casting.resin.sheet.cured_density_g_cm3
        lid_cm2 = 0.0 if self.open else self.cavity.opening.area_cm2
        lacking = 1.0 / self.corrections.stays - 1.0
        found_cm2 = self.corrections.lid * lid_cm2 + lacking * self.cavity.area_cm2
        return max(0.0, found_cm2 * per_cm2)

    def first_batch(self) -> tuple[int, Batch]:
        """Return the number of coats and the batch of each, before heat and rests are known.

        Raises PlanError.
        """
        wall_mm = self.casting.wall_mm
        count = self.count_for(wall_mm, self.casting.coats)
        batch = self.batch(wall_mm / count)
        return count, self.left_open(batch) if self.open else batch

    def left_open(self, batch: Batch) -> Batch:
        """Add the grams that run over the open mouth to the batch, for ordinary spins on a coarse
        mesh.

        If too much would run out, the plan is made for a capped mouth and says so in a note.
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
        self,
        mean_mm: float,
        *,
        spill_g: float = 0.0,
        colder_K: float = 0.0,
        stand: float = 0.0,
        warmer_K: float = 0.0,
        rest: float = 0.0,
    ) -> Batch:
        """Return one coat, weighed and timed, in a shop that is colder and on a mould that is
        warmer by the given kelvin.

        stand: see make_batch. rest: the share of the bonding window by which the next coat waits.
        """
        return make_batch(
            self.casting,
            self.kin,
            mean_mm,
            self.weights_g(mean_mm, spill_g),
            spill_g,
            self.shop_degC - colder_K,
            self.mould_degC - colder_K,
            stand,
            warmer_K,
            rest,
        )

    def times(self, batch: Batch) -> tuple[Batch, ...]:
        """Return the batch poured at once, and the batches that wait before the pour."""
        stood = [
            self.batch(
                batch.mean_mm,
                spill_g=batch.spill_g,
                stand=share,
                warmer_K=batch.warmer_K,
                rest=batch.rest,
            )
            for share in STANDS[1:]
        ]
        return (batch, *(one for one in stood if one.clock.pour_from_s > 0.0))

    def series(
        self, batch: Batch, coats: int, laid: Sequence[CoatPlan] = (), rest: float = 0.0
    ) -> Series:
        """Return a number of coats like this batch, each on the wall that the earlier coats have
        warmed."""

        def warmed(warmer_K: float) -> Batch:
            return self.batch(batch.mean_mm, spill_g=batch.spill_g, warmer_K=warmer_K, rest=rest)

        on_wall = [
            OnWall(one.mean_mm, one.clock.spin_from_s - CLOSE_UP_S, one.clock.next_pour_from_s)
            for one in laid
        ]
        wall = wall_of(self.casting, self.shop_degC, self.mould_degC)
        return warm_series(
            self.kin, wall, warmed, coats, on_wall, rest, heat_power=self.corrections.heat
        )

    def rests(self, batch: Batch, coats: int, laid: Sequence[CoatPlan] = ()) -> tuple[Series, ...]:
        """Return the coats poured as soon as allowed and, where heat matters, also after longer
        rests."""
        soon = self.series(batch, coats, laid)
        if soon.even:
            return (soon,)
        return (soon, *(self.series(batch, coats, laid, rest) for rest in RESTS))

    def pour(self, *batches: Batch) -> Pour:
        """Return the batches of the coats, in order, as the film's input."""
        times = tuple(
            tuple(
                Timed(np.array(viscosity_table(one.history)), one.clock)
                for one in self.times(batch)
            )
            for batch in batches
        )
        return self._pour(batches[0].mean_mm, batches[0].spill_g, times)

    def laid_pour(self, coat: CoatPlan) -> Pour:
        """Return a coat already on the wall as the film's input."""
        times = (Timed(np.array(coat.viscosity), coat.clock),)
        return self._pour(coat.mean_mm, coat.spill_g, (times,))

    def _pour(self, mean_mm: float, spill_g: float, times: tuple[tuple[Timed, ...], ...]) -> Pour:
        liquid = self.casting.resin.sheet.cured_share  # more resin flows than stays
        return Pour(
            spilt_m3=spill_g / self.density_kg_m3 * 1e-3,
            mean_m=metres(mean_mm) / liquid,
            volume_m3=self.cavity.area_cm2 * 1e-4 * metres(mean_mm) / liquid,
            density_kg_m3=self.density_kg_m3,
            times=times,
            rig=self.rig,
            opening=self.opening,
            open=self.open,
        )

    def hold_mm(self, batch: Batch) -> float:
        """Return the thickest coat that the rotation holds while it thickens: see HOLD_SHARE."""
        early_s = 0.75 * batch.clock.spin_from_s + 0.25 * batch.clock.gel_expected_s
        viscosity = np.interp(early_s, batch.history.time_s, batch.history.viscosity_Pa_s)
        radius = math.sqrt(self.cavity.area_cm2 * 1e-4 / (4 * math.pi))
        speed = rad_s(LEVEL_SHARE * self.rig.rate_limit_rpm)
        scale = math.sqrt(float(viscosity) / self.density_kg_m3 * speed * radius / G_M_S2)
        limit = math.inf if (most := self.casting.resin.max_section_mm) is None else most
        return min(HOLD_SHARE * scale * 1e3, limit)

    def count_for(self, wall_mm: float, stated: int | None) -> int:
        """Return the stated number of coats, or else the fewest that the rotation can hold."""
        if stated is not None:
            self._check_stated(wall_mm, stated)
            return stated
        thickest, too_short = 0.0, None
        for count in range(1, MOST_COATS + 1):
            mean = wall_mm / count
            try:
                limit = self._held_mm(mean)
            except PlanError as why:  # too much resin to pour in time; less may be possible
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
            f"no number of coats up to {MOST_COATS} works: a coat holds at most {thickest:.2f} mm"
            + ("" if thickest >= COVER_MM else f" and must be {COVER_MM:g} mm to cover"),
            unit="mm",
            hint=self._thicker(thickest),
        )

    def _held_mm(self, mean_mm: float) -> float:
        """Return the thickness that the rotation holds of a coat this thick. The cure model ends at
        2 cm."""
        return self.hold_mm(self.batch(min(mean_mm, THICKEST_MM)))

    def _thicker(self, thickest_mm: float) -> str:
        """Return a hint for a coat that is too thin to cover the mould."""
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
        """Return the stated number of coats, or else the planned number, or one more if the coats
        would slump."""
        if stated is not None:
            self._check_stated(left_mm, stated)
            return stated
        limit = self.hold_mm(self.batch(left_mm / planned))
        return planned if left_mm / planned <= 1.15 * limit else planned + 1


def check_neck(casting: Casting, cavity: Cavity) -> None:
    """Check that the wall leaves a way through the narrowest passage and the mouth. Raises
    PlanError."""
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
