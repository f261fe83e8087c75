"""Casting in the blind world: the result of a plan with real hands, board, batches and heat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from evenwall.geometry.mould import Cavity
from evenwall.model import CoatPlan, Plan, Ramp, Sheet
from evenwall.numerics.cure import WALL_MATERIALS, wall_material
from evenwall.simulation.blind import heat
from evenwall.simulation.blind.draws import Draw
from evenwall.simulation.blind.flow import Flows, Liquid, Pour, Turning
from evenwall.simulation.blind.gauging import Measured, Spots, Truth
from evenwall.simulation.blind.surface import Surface, wall_of
from evenwall.units import kelvin, kilograms, rad_s

Floats = npt.NDArray[np.float64]

SET = 0.985  # of the conversion at gel: from here on a coat no longer moves
POUR_BEFORE_SPIN_S = 45.0  # from the pour to the first turn: fit the cap, close the guard
KNOT_S = 0.25  # time between two angles that are given to the film
WITHIN_S = 2.5  # number of gel times for which a batch is computed
THICK, WARM_K = 1.25, 2.0  # step for the slope of the local gel


@dataclass(frozen=True, eq=False)
class Laid:
    """One coat as it was really done; seconds on its own clock, from when its parts met.

    met_s: on the casting's clock; turning: the frame's angles, from the board's steps or the plan's
    ramps; poured_g: what left the cup.
    """

    met_s: float
    poured_s: float
    from_s: float
    turning: Turning
    mixed_g: float
    poured_g: float


def planned_turning(coat: CoatPlan, late_s: float) -> Turning:
    """Angles of a coat's ramps, begun `late_s` after the planned start; the last speeds
    continue."""
    made = ramped(coat.ramps, (coat.start_deg.major, coat.start_deg.minor))
    last = coat.ramps[-1]
    # Twice as long again: the frame turns until the gel, whenever it comes.
    more_s = 7200.0
    return Turning(
        coat.clock.spin_from_s + late_s + np.append(made.time_s, made.time_s[-1] + more_s),
        np.append(made.major_rad, made.major_rad[-1] + more_s * rad_s(last.major_rpm)),
        np.append(made.minor_rad, made.minor_rad[-1] + more_s * rad_s(last.minor_rpm)),
    )


def ramped(ramps: Sequence[Ramp], start_deg: tuple[float, float]) -> Turning:
    """Angles of ramps that begin at standstill and at time 0, every KNOT_S."""
    ends = np.cumsum([0.0] + [ramp.duration_s for ramp in ramps])
    time_s = np.linspace(0.0, ends[-1], max(2, math.ceil(ends[-1] / KNOT_S)))
    k = np.clip(np.searchsorted(ends, time_s, side="right") - 1, 0, len(ends) - 2)
    into = time_s - ends[k]
    angles = []
    for start, name in zip(start_deg, ("major_rpm", "minor_rpm"), strict=True):
        speed = np.array([0.0] + [rad_s(getattr(ramp, name)) for ramp in ramps])
        turned = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(ends))])
        slope = (speed[k + 1] - speed[k]) / np.maximum(np.diff(ends)[k], 1e-9)
        angles.append(math.radians(start) + turned[k] + speed[k] * into + 0.5 * slope * into**2)
    return Turning(time_s, angles[0], angles[1])


def as_planned(plan: Plan, luck: Draw) -> list[Laid]:
    """Return the coats as a person makes them.

    Their times and grams differ slightly from the plan, and each begins some time after the plan
    allows it.
    """
    laid, met_s = [], 0.0
    for coat, late, wait, pour in zip(
        plan.coats, luck.hands_s, luck.waits_s, luck.pour, strict=True
    ):
        from_s = coat.clock.spin_from_s + late
        poured_s = max(coat.clock.pour_from_s, from_s - POUR_BEFORE_SPIN_S, 30.0)
        turning = planned_turning(coat, from_s - coat.clock.spin_from_s)
        poured_g = (coat.mix_g - coat.cup_left_g) * pour
        laid.append(Laid(met_s, poured_s, max(from_s, poured_s), turning, coat.mix_g, poured_g))
        # The next mix is begun so that its pour comes at the first allowed moment, or after the
        # wait.
        met_s += coat.clock.next_pour_from_s + wait - (coat.clock.spin_from_s - POUR_BEFORE_SPIN_S)
    return laid


def shaken(turning: Turning, luck: Draw) -> Turning:
    """Return the mould's angles: backlash flips with the load, and the frame is not level."""
    flip = np.tanh(6.0 * np.sin(turning.major_rad + luck.heavy_rad))
    x, y = luck.tilt_rad
    down = np.array([math.sin(x), math.sin(y), -1.0])
    down /= np.linalg.norm(down)
    return Turning(
        turning.time_s,
        turning.major_rad + 0.5 * luck.backlash_rad * flip,
        turning.minor_rad,
        (float(down[0]), float(down[1]), float(down[2])),
    )


def sheet_says(sheet: Sheet) -> heat.SheetSays:
    """Return the figures that the blind world takes from a resin's data sheet."""
    return heat.SheetSays(
        sheet.pot_life_min * 60.0,
        kilograms(sheet.pot_life_mass_g),
        kelvin(sheet.pot_life_temp_degC),
        sheet.mixed_viscosity_mPa_s * 1e-3,
        sheet.mixed_density_g_cm3 * 1e3,
        None if sheet.peak_exotherm_degC is None else kelvin(sheet.peak_exotherm_degC),
        sheet.snap,
    )


@lru_cache(maxsize=8)  # a casting asks twice: for the gels of its batches, and for its wall
def _resins(says: heat.SheetSays, drawn: tuple[tuple[float, float], ...]) -> heat.Resin:
    """Return resins as on this sheet; drawn: factors on activation and viscosity of each."""
    activation, viscosity = np.array(drawn).T
    return heat.resin_of(says, activation, viscosity)


class BlindWorld:
    """Mould, resin and room of one plan, for many castings of it.

    spacing_mm: edge of the film's triangles. Raises InputError, NotConverged and NoCompiler.
    """

    def __init__(self, plan: Plan, cavity: Cavity, *, spacing_mm: float = 5.0) -> None:
        self.plan, self.cavity, self.spacing_mm = plan, cavity, spacing_mm
        states = {coat.opening_state for coat in plan.coats}
        self.surface: Surface = wall_of(cavity, spacing_mm, capped="capped" in states)
        self.spots = Spots.of(self.surface)
        self._flows = Flows(self.surface)

    def cast(
        self, lucks: Sequence[Draw], laid: Sequence[Sequence[Laid]]
    ) -> list[tuple[Measured, Truth]]:
        """Make castings from their random errors and coats; return a maker's measurements and the
        truth."""
        liquids, self.gel_s = self._cure(lucks, laid)
        pours, order = [], []
        density = self.plan.casting.resin.sheet.mixed_density_g_cm3 * 1e3
        for d, luck in enumerate(lucks):
            for c, one in enumerate(laid[d]):
                pours.append(
                    Pour(
                        shaken(one.turning, luck),
                        liquids[d][c],
                        one.poured_g * 1e-3 / density,
                        one.from_s,
                        luck.end_K,
                    )
                )
                order.append((c, d))
        by_coat = sorted(range(len(order)), key=lambda k: order[k])
        films: dict[tuple[int, int], Floats] = {}
        for k, left in zip(by_coat, self._flows.run([pours[k] for k in by_coat]), strict=True):
            films[order[k]] = left.film_m
        return [
            self.spots.measured(
                np.sum([films[c, d] for c in range(len(laid[d]))], axis=0), luck, density
            )
            for d, luck in enumerate(lucks)
        ]

    def gels_s(self, lucks: Sequence[Draw], laid: Sequence[Sequence[Laid]]) -> Floats:
        """Return the gel time of each coat, (castings, coats), s after its parts met; inf if it is
        not soon."""
        cured, _ = self._cured(lucks, laid, ((1.0, 0.0),))
        return np.asarray(cured.gel_s + _every(laid, "poured_s"))

    def _cure(
        self, lucks: Sequence[Draw], laid: Sequence[Sequence[Laid]]
    ) -> tuple[list[list[Liquid]], Floats]:
        """Viscosity of every coat over its own clock, and its gel (d, c) on it."""
        lanes, coats = len(lucks), len(laid[0])
        cases = ((1.0, 0.0), (THICK, 0.0), (1.0 / THICK, 0.0), (1.0, WARM_K))
        cured, resin = self._cured(lucks, laid, cases)
        liquids = [
            [self._liquid(resin, cured, lucks[d], laid[d][c], (d, c, lanes)) for c in range(coats)]
            for d in range(lanes)
        ]
        return liquids, cured.gel_s[:lanes] + _every(laid, "poured_s")

    def _cured(
        self,
        lucks: Sequence[Draw],
        laid: Sequence[Sequence[Laid]],
        cases: Sequence[tuple[float, float]],
    ) -> tuple[heat.Cured, heat.Resin]:
        """Cure every casting once for each case: all coats thicker by a factor, or the mould warmer
        by some kelvin. The lanes hold all castings of the first case, then of the next."""
        casting = self.plan.casting
        lanes, coats = len(lucks), len(laid[0])
        many = np.tile(np.arange(lanes), len(cases))
        thicker, warmer_K = np.repeat(np.array(cases).T, lanes, axis=1)
        says = sheet_says(casting.resin.sheet)
        drawn = [(luck.activation, luck.viscosity) for luck in lucks]
        unlike = tuple(dict.fromkeys(drawn))
        resin = heat.lane(
            _resins(says, unlike), np.array([unlike.index(one) for one in drawn])[many]
        )
        room = np.full(len(many), kelvin(casting.shop.temp_degC))
        mould_degC = casting.mould.temp_degC
        start = room if mould_degC is None else np.full(len(many), kelvin(mould_degC))

        def every(what: str) -> Floats:
            return _every([laid[d] for d in many], what)

        cups = [
            heat.in_cup(resin, every("mixed_g")[:, c] * 1e-3, room, every("poured_s")[:, c])
            for c in range(coats)
        ]
        wet_m2 = float(self.surface.area.sum())
        thick = every("poured_g") * 1e-3 / says.density_kg_m3 / wet_m2 * thicker[:, None]
        poured = heat.Poured(
            every("met_s") + every("poured_s"),
            thick,
            np.stack([cup["temp_K"] for cup in cups], axis=1),
            np.stack([cup["alpha"] for cup in cups], axis=1),
        )
        mould = heat.Mould(
            _material(casting.mould.material),
            casting.mould.wall_mm * 1e-3,
            start + warmer_K,
            room,
            heat.OUTER_LOSS * np.array([lucks[d].loss for d in many]),
        )
        follow_s = WITHIN_S * max(coat.clock.gel_expected_s for coat in self.plan.coats)
        batch = np.array([lucks[d].batch for d in many])
        return heat.on_wall(resin, mould, poured, batch, follow_s), resin

    def _liquid(
        self, resin: heat.Resin, cured: heat.Cured, luck: Draw, one: Laid, at: tuple[int, int, int]
    ) -> Liquid:
        d, coat, lanes = at
        which = d + lanes * np.arange(4)
        logs = heat.lane(resin, which).log_viscosity(
            cured.temp_K[which, coat], cured.alpha[which, coat]
        )
        set_at = np.flatnonzero(cured.alpha[d, coat] >= SET * heat.GEL)
        end = int(set_at[0]) + 1 if len(set_at) else logs.shape[1]
        end = max(end, 2)
        logs = logs[:, :end]
        return Liquid(
            np.asarray(one.poured_s + np.arange(end) * cured.every_s, dtype=np.float64),
            np.asarray(np.exp(logs[0]), dtype=np.float64),
            resin.density_kg_m3,
            luck.tension_N_m,
            np.clip((logs[1] - logs[2]) / (2.0 * math.log(THICK)), -3.0, 3.0),
            np.clip((logs[3] - logs[0]) / WARM_K, -0.5, 0.5),
        )


def _every(laid: Sequence[Sequence[Laid]], what: str) -> Floats:
    """Return one figure of every coat, (castings, coats)."""
    return np.array([[float(getattr(one, what)) for one in coats] for coats in laid])


def _material(name: str) -> str:
    """Return the wall material's name in this world's own list."""
    known = wall_material(name)
    return next(word for word, material in WALL_MATERIALS.items() if material == known)
