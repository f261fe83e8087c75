"""Adapter from the supervisor to the gel estimator: turns a coat into a `gel.Case` in SI units."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from evenwall.errors import EvenwallError
from evenwall.model import CoatPlan, Plan, ProbeSpec, Resin
from evenwall.numerics import gel
from evenwall.numerics.gel.memory import ResinMemory, case_with, lesson, with_batch
from evenwall.planning.batch import cure_sheet
from evenwall.run.observation import GelMonitor, GelReading, GelRow
from evenwall.units import degC, kelvin, kilograms, metres
from evenwall.worker_process import WorkerProcess

RESIN_NOTES = "resin:"
FEED_S = 2.0  # readings closer together add no information
SETTLE_S = 100.0  # a probe taken from the last coat's cup is still warm until then
CURVE_POINTS = 60


def gel_case(plan: Plan, coat: CoatPlan, probe: ProbeSpec, poured_coat_s: float) -> gel.Case:
    """Estimator's case for a coat before its first reading."""
    casting = plan.casting
    mould_degC = casting.mould.temp_degC
    kind: gel.Probe = "thermocouple_k"
    if probe.kind in ("digital_1wire", "infrared"):
        kind = "digital_1wire" if probe.kind == "digital_1wire" else "infrared"
    return gel.Case(
        sheet=cure_sheet(casting.resin.sheet),
        placement=probe.placement,
        probe=kind,
        coat_m=metres(coat.mean_mm),
        wall_m=metres(casting.mould.wall_mm),
        wall_material=casting.mould.material,
        pour_s=poured_coat_s,
        # The witness is the mix that stays in the cup after the pour. Until the pour the person is
        # asked to leave the probe in the air (user_messages.PROBE), and its readings must agree
        # with that. An infrared probe sees anything in front of it.
        probe_in_s=poured_coat_s,
        in_air_before=probe.placement == "cup" and kind != "infrared",
        cup_mass_kg=kilograms(coat.witness_g),
        mould_K=None if mould_degC is None else kelvin(mould_degC),
        wall_warmer_K=coat.wall_warmer_K,
    )


def estimator(plan: Plan, coat: CoatPlan, probe: ProbeSpec, poured_coat_s: float) -> Estimator:
    """Estimator for a coat just poured. The sheet may raise OutsideValidity or NotConverged."""
    return Estimator(gel_case(plan, coat, probe, poured_coat_s))


class TeachingMonitor(GelMonitor, Protocol):
    """Monitor that, after its end, still returns the knowledge gained from its coat."""

    def batch(self) -> gel.EarlierBatch | None: ...


@dataclass
class Remembering:
    """Makes monitors that use a resin's earlier batches. Implements `observation.GelMonitors`.

    A coat that was touched informs the next one of its casting: both are batches of one resin. The
    record keeps the same knowledge when the run is proven.
    """

    memories: dict[str, ResinMemory] = field(default_factory=dict)  # by `resin_note`
    make: Callable[[gel.Case], TeachingMonitor] = field(default=lambda case: Estimator(case))
    _last: tuple[str, TeachingMonitor] | None = None

    def __call__(
        self, plan: Plan, coat: CoatPlan, probe: ProbeSpec, poured_coat_s: float
    ) -> GelMonitor:
        if self._last is not None:
            (note, before), self._last = self._last, None
            self.memories[note] = with_batch(self.memories.get(note, ResinMemory()), before.batch())
        note = resin_note(plan)
        case = gel_case(plan, coat, probe, poured_coat_s)
        memory = with_first_batch(self.memories.get(note, ResinMemory()), plan.casting.resin, case)
        judge = self.make(case_with(memory, case))
        self._last = (note, judge)
        return judge


def with_first_batch(memory: ResinMemory, resin: Resin, case: gel.Case) -> ResinMemory:
    """Return the memory, preceded by the batch whose touch is given in the resin's file.

    Only the cup of that batch was touched, so its coat and mould are taken from the case.
    """
    first = resin.first_batch
    if first is None:
        return memory
    batch = gel.EarlierBatch(
        ambient_K=kelvin(first.temp_degC),
        pour_s=case.pour_s,
        cup_mass_kg=first.mass_g * 1e-3,
        coat_m=case.coat_m,
        wall_m=case.wall_m,
        wall_material=case.wall_material,
        cup_gel_s=60.0 * first.gel_min,
    )
    return replace(memory, batches=(batch, *memory.batches))


def resin_note(plan: Plan) -> str:
    """Key for a resin's memory: its name and its data sheet, which may be revised."""
    resin = plan.casting.resin
    sheet = hashlib.sha256(resin.sheet.model_dump_json().encode()).hexdigest()
    return f"{RESIN_NOTES}{resin.name}:{sheet[:16]}"


class Estimator:
    """Implements `observation.GelMonitor` with the estimator of `numerics.gel`."""

    def __init__(self, case: gel.Case) -> None:
        self._state = gel.begin(case)
        self._fed_s = -FEED_S
        self._reading = GelReading()
        self._teaches = True

    def feed(self, rows: Sequence[GelRow]) -> GelReading:
        """Feed the rows one after another, however many have waited.

        A fit that skips rows starts far from the solution: a single refit at the last row was up to
        36 % early (40 batches).
        """
        found = None
        for time_s, probe_degC, room_degC in rows:
            if time_s < SETTLE_S or time_s - self._fed_s < FEED_S:
                continue
            self._fed_s = time_s
            row = gel.Row(
                time_s,
                None if probe_degC is None else kelvin(probe_degC),
                None if room_degC is None else kelvin(room_degC),
            )
            self._state, found = gel.step(self._state, row)
        if found is not None:
            self._told(found)
        if rows:
            self._reading = replace(self._reading, at_s=rows[-1][0])
        return self._reading

    def touched(self, what: str, coat_time_s: float) -> GelReading:
        touch = gel.Touch("coat" if what == "coat" else "cup", coat_time_s)
        self._state, found = gel.step(self._state, touch)
        return self._told(found)

    def forget(self) -> None:
        self._teaches = False

    def batch(self) -> gel.EarlierBatch | None:
        """Return this coat as an earlier batch for the resin's next coat; None without a touch."""
        return lesson(self._state) if self._teaches else None

    def end(self) -> None:
        return None

    def _told(self, found: gel.GelEstimate) -> GelReading:
        every = max(1, len(found.curve) // CURVE_POINTS)
        self._reading = GelReading(
            at_s=found.at_s,
            best_s=found.best_s,
            low_s=found.low_s,
            high_s=found.high_s,
            safe_to_stop_s=found.safe_to_stop_s,
            called_at_s=found.called_s,
            probability_gelled=found.probability_gelled,
            faults=gel.holding(found.faults),
            taken_back=gel.taken_back(found.faults),
            sentence=found.sentence,
            touch=None
            if found.touch is None
            else (found.touch.what, found.touch.from_s, found.touch.until_s),
            says=" ".join(found.says),
            predicted=tuple(
                (float(t), degC(float(k - band)), degC(float(k + band)))
                for t, k, band in found.curve[::every]
            ),
        )
        return self._reading


class EstimatorApart:
    """Estimator in a separate process, because its refits would delay the event loop.

    One process serves one coat after another. It starts before the first coat, because on a busy
    machine its imports alone take up to a minute. It runs at the priority of the process that keeps
    the frame turning: it needs only a hundredth of the time, but must get it.
    """

    _ask: Callable[..., Any]

    def __init__(self) -> None:
        self._apart: WorkerProcess | None = None
        self._batch: gel.EarlierBatch | None = None
        with contextlib.suppress(EvenwallError):  # reported if it still fails at the first coat
            self._apart = WorkerProcess(__name__, niceness=0)

    def __call__(self, case: gel.Case) -> EstimatorApart:
        """Begin the next coat. Raises as `Estimator`, and EvenwallError without a process."""
        if self._apart is None or self._apart.ended:
            self._apart = WorkerProcess(__name__, niceness=0)
        self._ask, self._batch = self._apart.ask, None
        self._apart.become("Estimator", case)
        return self

    def feed(self, rows: Sequence[GelRow]) -> GelReading:
        found: GelReading = self._ask("feed", rows)
        return found

    def touched(self, what: str, coat_time_s: float) -> GelReading:
        found: GelReading = self._ask("touched", what, coat_time_s)
        self._batch = self._ask("batch")
        return found

    def forget(self) -> None:
        self._batch = None

    def batch(self) -> gel.EarlierBatch | None:
        return self._batch

    def end(self) -> None:
        return None  # its process waits for the next coat
