"""A light gel monitor for thousands of simulated castings: one unknown, on a grid.

The real estimator takes seconds per coat. This one assumes that the batch differs from its sheet by
one factor on its rate, computes cup and coat once for a grid of factors, and weights the grid by
the fit of each cup to the probe. Its risk is that of the estimator: at most one coat in a hundred
gels more than 5 % after it was called.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from evenwall.model import CoatPlan, Plan, ProbeSpec, Sheet
from evenwall.numerics import cure
from evenwall.planning.batch import cure_sheet
from evenwall.run.observation import GelReading, GelRow
from evenwall.units import kelvin, kilograms, metres

FACTORS = np.exp(np.linspace(-0.36, 0.36, 19))
PRIOR = np.exp(-0.5 * (np.log(FACTORS) / 0.15) ** 2)
SD_K = 1.5  # standard deviation of probe less model: offset, lag and place together
MEMORY_S = 60.0  # that error keeps its sign for so long: readings closer together count once
SPREAD = 0.05  # relative standard deviation of the coat's gel time when the factor is known
STEPS = 60  # time steps in a gel time
GELS = 2.5  # gel times that are computed
LAG_S = 20.0
RESTING, STUCK = 4, 20  # equal readings in a row: a probe at rest, a stuck probe


@lru_cache(maxsize=16)
def kinetics(sheet: Sheet) -> cure.Kinetics:
    return cure.kinetics_from_sheet(cure_sheet(sheet))


def light(plan: Plan, coat: CoatPlan, probe: ProbeSpec, poured_coat_s: float) -> LightMonitor:
    return LightMonitor(plan, coat, poured_coat_s)


class LightMonitor:
    """Implements `GelMonitor` of `evenwall.run.observation`."""

    def __init__(self, plan: Plan, coat: CoatPlan, poured_coat_s: float) -> None:
        self._plan, self._coat, self._poured_s = plan, coat, poured_coat_s
        self._weights = PRIOR.copy()
        self._dt_s = coat.clock.gel_expected_s / STEPS
        self._cups: np.ndarray | None = None
        self._gels = np.full(len(FACTORS), coat.clock.gel_expected_s)
        self._counted_s = 0.0
        self._touch_s: float | None = None
        self._called_s: float | None = None
        self._last: float | None = None
        self._same = 0
        self._reading = GelReading()

    def _grid(self, room_degC: float) -> None:
        plan, coat = self._plan, self._coat
        kin = kinetics(plan.casting.resin.sheet)
        mould = plan.casting.mould.temp_degC
        around = cure.Surroundings(
            mixed_kg=kilograms(coat.witness_g),
            start_K=kelvin(room_degC),
            mould_K=kelvin(room_degC if mould is None else mould),
            pour_s=self._poured_s,
            coat_m=metres(coat.mean_mm),
            wall_m=metres(plan.casting.mould.wall_mm),
            material=cure.wall_material(plan.casting.mould.material),
        )
        steps = round(GELS * STEPS)
        temps, alphas = cure.integrate(
            replace(kin, rate_1_s=kin.rate_1_s * FACTORS),
            around,
            np.full(steps, kelvin(room_degC)),
            self._dt_s,
            lanes=len(FACTORS),
        )
        self._cups = temps[:, cure.CORE] - kelvin(0.0)
        gels = cure.crossing_s(alphas[:, cure.COAT], kin.alpha_gel, self._dt_s)
        self._gels = np.where(np.isfinite(gels), gels, GELS * coat.clock.gel_expected_s)

    def feed(self, rows: Sequence[GelRow]) -> GelReading:
        for row in rows:
            self._feed(*row)
        return self._reading

    def _feed(self, coat_time_s: float, probe_degC: float | None, room_degC: float | None) -> None:
        if self._cups is None:
            self._grid(self._plan.casting.shop.temp_degC if room_degC is None else room_degC)
        faults = self._faults(probe_degC)
        # The probe goes in at the pour; a constant reading may be a stuck probe.
        settled_s = self._poured_s + 3.0 * LAG_S
        telling = not faults and coat_time_s > settled_s and self._same < RESTING
        if telling and probe_degC is not None and coat_time_s - self._counted_s >= MEMORY_S:
            self._counted_s = coat_time_s
            self._weigh(coat_time_s, probe_degC)
        self._read(coat_time_s, faults)

    def _faults(self, probe_degC: float | None) -> tuple[str, ...]:
        self._same = self._same + 1 if probe_degC == self._last else 0
        self._last = probe_degC
        if probe_degC is None:
            return ("probe_lost",)
        if probe_degC == 85.0 or self._same > STUCK:
            return ("probe_stuck",)
        return ()

    def _weigh(self, time_s: float, probe_degC: float) -> None:
        if self._cups is None:
            return
        place = min(max(0.0, time_s - LAG_S) / self._dt_s, len(self._cups) - 2.0)
        index = int(place)
        cups = self._cups[index] + (place - index) * (self._cups[index + 1] - self._cups[index])
        # Heavy tails (Student's t, 4 degrees of freedom): a wrong reading must not decide.
        self._weights *= (1.0 + ((cups - probe_degC) / SD_K) ** 2 / 4.0) ** -2.5
        self._weights /= self._weights.sum()

    def _read(self, now_s: float, faults: tuple[str, ...]) -> GelReading:
        mean = float(self._weights @ self._gels / self._weights.sum())
        variance = float(self._weights @ (self._gels - mean) ** 2 / self._weights.sum())
        sd = math.sqrt(variance + (SPREAD * mean) ** 2)
        safe_s = (mean + 2.33 * sd) * 0.95
        if self._touch_s is not None:
            safe_s = min(safe_s, self._touch_s)
        if self._called_s is None and now_s >= safe_s:
            self._called_s = now_s
        self._reading = GelReading(
            best_s=mean,
            low_s=mean - 1.645 * sd,
            high_s=mean + 1.645 * sd,
            safe_to_stop_s=safe_s,
            called_at_s=self._called_s,
            faults=faults,
        )
        return self._reading

    def forget(self) -> None:
        return None

    def touched(self, what: str, coat_time_s: float) -> GelReading:
        if what == "coat":
            self._touch_s = coat_time_s
        return self._read(coat_time_s, ())

    def end(self) -> None:
        return None
