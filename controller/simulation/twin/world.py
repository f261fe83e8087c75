"""World of the twin: a room, a resin with its own kinetics, a cup, a coat and a frame.

Real step pulses of the firmware turn the frame.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from evenwall.model import CoatPlan, Event, Plan, RigSpec, Sheet, Step
from evenwall.numerics import cure
from evenwall.planning.batch import cure_sheet
from evenwall.run.events import (
    MixedAgain,
    PartsMet,
    Poured,
    Started,
    Stepped,
    StepTakenBack,
    Weighed,
    read,
)
from evenwall.simulation.twin.probe import TwinProbe
from evenwall.simulation.twin.rod import TwinRod
from evenwall.units import degC, kelvin, kilograms, metres
from evenwall_bridge.contract import BoardPins, Clock

FOLLOWED_GELS = 4.0  # number of planned gel times for which a batch is computed
STEPS_PER_GEL = 60  # of the cure's integration; second order, so its error is far below a degree


@dataclass(frozen=True, slots=True)
class Weather:
    """The room: a mean and a slow swing."""

    mean_degC: float = 21.0
    swing_degC: float = 0.5
    period_s: float = 5400.0

    def room_degC(self, at_s: float) -> float:
        return self.mean_degC + self.swing_degC * math.sin(2.0 * math.pi * at_s / self.period_s)


@lru_cache(maxsize=16)
def _kinetics(sheet: Sheet) -> cure.Kinetics:
    return cure.kinetics_from_sheet(cure_sheet(sheet))


@dataclass(slots=True)
class _Batch:
    """One mix: in the cup and, once poured, also on the wall."""

    met_s: float
    dt_s: float
    cup_degC: np.ndarray
    cup_alpha: np.ndarray  # over that at gel
    coat_alpha: np.ndarray
    coat_gel_s: float  # after the parts met; inf: not within that time
    poured: bool
    made_K: np.ndarray  # for each step on the wall, the temperature rise of the resin alone
    coat_J_m2K: float

    def warms_K(self, at_s: float, wall_J_m2K: float, fades_s: float) -> float:
        """Return how much (K) this batch's heat still warms a wall of this capacity; it fades in
        `fades_s`."""
        age_s = at_s - self.met_s - self.dt_s * np.arange(1, len(self.made_K) + 1)
        left = np.where(age_s >= 0.0, np.exp(-np.maximum(age_s, 0.0) / fades_s), 0.0)
        return float(self.made_K @ left) * self.coat_J_m2K / wall_J_m2K


class Twin:
    """Physics of the simulated shop. Pass it every event of the record with `follow`."""

    def __init__(
        self,
        clock: Clock,
        pins: BoardPins,
        spec: RigSpec,
        seed: int = 0,
        weather: Weather | None = None,
    ) -> None:
        self.clock, self.pins, self.spec, self.seed = clock, pins, spec, seed
        self.weather = weather or Weather()
        self.mix_error = 0.0  # real part B in the cup over the recorded one
        self._batch: _Batch | None = None
        self._on_wall: list[_Batch] = []
        self._plan: Plan | None = None
        self._coat: CoatPlan | None = None
        self._weighed_ratio = 1.0
        self._probes: dict[str, TwinProbe] = {}

    # --- the frame -------------------------------------------------------------------------------

    def angles_deg(self) -> tuple[float, float]:
        """True angles of the simulated frame, from its step pulses."""
        major, minor = self.pins.steps()
        return (
            major * 360.0 / self.spec.major.steps_per_turn % 360.0,
            minor * 360.0 / self.spec.minor.steps_per_turn % 360.0,
        )

    # --- the resin -------------------------------------------------------------------------------

    def follow(self, row: Event, plan: Plan) -> None:
        """Follow the manual work: weigh, mix, pour. The same journal gives the same world."""
        self._plan = plan
        event = read(row)
        if isinstance(event, Stepped):
            self._coat = plan.coats[event.coat - 1]
        if isinstance(event, Started):
            self._coat, self._batch, self._weighed_ratio = plan.coats[0], None, 1.0
            self._on_wall = []
        elif isinstance(event, Weighed) and self._coat is not None:
            planned = self._coat.part_b_g / self._coat.part_a_g
            self._weighed_ratio = event.part_b_g / event.part_a_g / planned
        elif isinstance(event, PartsMet):
            self._leave_on_wall()
            self._mix(row.at_s, None)
        elif isinstance(event, Poured) and self._batch is not None:
            self._mix(self._batch.met_s, row.at_s)
        elif isinstance(event, StepTakenBack) and self._batch is not None:
            if event.was is Step.MIX:
                self._batch = None
            elif event.was is Step.CLOSE_UP:
                self._mix(self._batch.met_s, None)
        elif isinstance(event, MixedAgain):
            self._batch = None

    def _leave_on_wall(self) -> None:
        """Keep the heat of the previous coat, if it was poured."""
        if self._batch is not None and self._batch.poured:
            self._on_wall.append(self._batch)

    def follow_all(self, events: Iterable[Event], plan: Plan) -> None:
        for event in events:
            self.follow(event, plan)

    def resin(self, coat: CoatPlan, sheet: Sheet) -> cure.Kinetics:
        """Return this batch's kinetics: those of the sheet, slightly faster or slower by the seed.

        A wrong ratio slows the batch and lowers its heat (stoichiometry; common practice, no
        source).
        """
        draw = random.Random(f"{self.seed}/{coat.coat}")
        kin = _kinetics(sheet)
        off = abs((1.0 + self.mix_error) * self._weighed_ratio - 1.0)
        return replace(
            kin,
            rate_1_s=kin.rate_1_s * math.exp(draw.gauss(0.0, 0.08)) * math.exp(-2.0 * off),
            rise_K=kin.rise_K * max(0.2, 1.0 - 1.5 * off),
        )

    def _mix(self, met_s: float, poured_s: float | None) -> None:
        plan, coat = self._plan, self._coat
        if plan is None or coat is None:
            return
        kin = self.resin(coat, plan.casting.resin.sheet)
        gel_s = coat.clock.gel_expected_s
        dt_s = gel_s / STEPS_PER_GEL
        steps = round(FOLLOWED_GELS * STEPS_PER_GEL)
        room_K = np.array([kelvin(self.weather.room_degC(met_s + k * dt_s)) for k in range(steps)])
        mould_degC = plan.casting.mould.temp_degC
        warmer_K = 0.0 if poured_s is None else self._wall_warmer_K(poured_s, plan)
        around = cure.Surroundings(
            mixed_kg=kilograms(coat.witness_g),
            start_K=room_K[0],
            mould_K=(room_K[0] if mould_degC is None else kelvin(mould_degC)) + warmer_K,
            pour_s=FOLLOWED_GELS * gel_s if poured_s is None else poured_s - met_s,
            coat_m=metres(coat.mean_mm),
            wall_m=metres(plan.casting.mould.wall_mm),
            material=cure.wall_material(plan.casting.mould.material),
        )
        temps, alphas = cure.integrate(kin, around, room_K, dt_s)
        step = FOLLOWED_GELS * STEPS_PER_GEL if poured_s is None else (poured_s - met_s) / dt_s
        made_K = float(kin.rise_K) * np.diff(alphas[:, cure.COAT, 0])
        made_K[: round(step)] = 0.0
        gelled = cure.crossing_s(alphas[:, cure.COAT], kin.alpha_gel, dt_s)
        self._batch = _Batch(
            met_s=met_s,
            dt_s=dt_s,
            cup_degC=np.asarray([degC(t) for t in temps[:, cure.CORE, 0]]),
            cup_alpha=cure.cup_mean(alphas)[:, 0] / float(kin.alpha_gel),
            coat_alpha=alphas[:, cure.COAT, 0] / float(kin.alpha_gel),
            coat_gel_s=float(gelled[0]),
            poured=poured_s is not None,
            made_K=made_K,
            coat_J_m2K=metres(coat.mean_mm) * float(kin.density_kg_m3) * cure.RESIN_HEAT_J_KGK,
        )

    def _wall_warmer_K(self, at_s: float, plan: Plan) -> float:
        """Return the warming (K) of the wall by the coats on it, as one lump."""
        material = cure.wall_material(plan.casting.mould.material)
        wall_m = metres(plan.casting.mould.wall_mm)
        wall_J_m2K = wall_m * material.density_kg_m3 * material.heat_J_kgK
        wall_J_m2K += sum(batch.coat_J_m2K for batch in self._on_wall)
        # The first mode of a slab that cools at one face, to first order in its Biot number: it
        # fades as if a third of the wall separated it from the air, and its inner face is warmer
        # than its mean by a sixth of that number.
        inside = wall_m / material.conductivity_W_mK
        loss_W_m2K = 1.0 / (inside / 3.0 + 1.0 / cure.MOULD_LOSS_W_M2K) + cure.CAVITY_LOSS_W_M2K
        fades_s = wall_J_m2K / loss_W_m2K
        face = 1.0 + inside * cure.MOULD_LOSS_W_M2K / 6.0
        return face * sum(batch.warms_K(at_s, wall_J_m2K, fades_s) for batch in self._on_wall)

    def cup_degC(self, at_s: float) -> float | None:
        """Temperature in the witness cup's core; None before the pour, when the probe goes in."""
        batch = self._batch
        if batch is None or not batch.poured:
            return None
        place = (at_s - batch.met_s) / batch.dt_s
        index = min(int(place), len(batch.cup_degC) - 2)
        if place > len(batch.cup_degC):
            return self.weather.room_degC(at_s)
        share = place - index
        return float((1.0 - share) * batch.cup_degC[index] + share * batch.cup_degC[index + 1])

    def cup_share(self, at_s: float) -> float | None:
        """Conversion of the witness cup over that at its gel; None while there is no cup."""
        batch = self._batch
        if batch is None or not batch.poured:
            return None
        time_s = batch.dt_s * np.arange(len(batch.cup_alpha))
        return float(np.interp(at_s - batch.met_s, time_s, batch.cup_alpha))

    def coat_gelled(self, at_s: float) -> bool:
        """Whether the coat on the wall has really gelled."""
        return self._batch is not None and at_s - self._batch.met_s >= self._batch.coat_gel_s

    @property
    def coat_gel_s(self) -> float:
        """True gel time of the coat, on its own clock; inf: not while it is followed."""
        return math.inf if self._batch is None else self._batch.coat_gel_s

    def coat_gels_s(self) -> tuple[float, ...]:
        """Return the true gel of every coat on the wall, s after its parts met."""
        last = [] if self._batch is None or not self._batch.poured else [self._batch]
        return tuple(batch.coat_gel_s for batch in [*self._on_wall, *last])

    # --- probes ----------------------------------------------------------------------------------

    def gel_rod(self, within_s: float) -> TwinRod:
        """Return the simulated rod in the witness cup. within_s: time allowed for both ways."""
        return TwinRod(self.clock, self.cup_share, within_s)

    def probe(self, role: str) -> TwinProbe:
        """The simulated probe of a role: resin sits in the cup, room and mould in the air."""
        if role not in self._probes:
            draw = random.Random(f"{self.seed}/{role}")
            sits_in = self.cup_degC if role == "resin" else self.weather.room_degC
            offset_degC = draw.gauss(0.0, 0.2)
            self._probes[role] = TwinProbe(
                self.clock, draw.randrange(2**32), sits_in, self.weather.room_degC, offset_degC
            )
        return self._probes[role]
