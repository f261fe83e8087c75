"""The turning of a recorded run, taken from its events, for a replay."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from evenwall.errors import InputError
from evenwall.history.recorded import Recorded
from evenwall.model import (
    Ramp,
    Sample,
)
from evenwall.numerics import cure
from evenwall.run.events import (
    Halted,
    MixedAgain,
    Queued,
    Rejoined,
    RunEvent,
    Stepped,
    TurningBegan,
)
from evenwall.run.motion import to_rest
from evenwall.run.replay import (
    CurePath,
    CureTable,
    ProvenCoat,
    ProvenRun,
    Ramp3,
    cure_of_coat,
    kinetics_of,
)
from evenwall.run.state import RunState


@dataclass
class Stretch:
    """One stretch of turning as it was sent to the board."""

    from_s: float
    ramps: list[Ramp3]
    until_s: float = math.inf

    @property
    def queued_s(self) -> float:
        return sum(ramp[0] for ramp in self.ramps)

    def cut(self, accel_rpm_s: float) -> list[Ramp3]:
        """Return the ramps as they were made: up to the stop, and then to standstill."""
        left_s = self.until_s - self.from_s
        kept: list[Ramp3] = []
        rates = (0.0, 0.0)
        for duration_s, major, minor in self.ramps:
            if left_s <= 0.0:
                break
            share = min(1.0, left_s / duration_s)
            rates = (rates[0] + share * (major - rates[0]), rates[1] + share * (minor - rates[1]))
            kept.append((share * duration_s, *rates))
            left_s -= duration_s
        if math.isfinite(self.until_s) and rates != (0.0, 0.0):
            kept.append(to_rest(rates, accel_rpm_s))
        return kept


def stretches(run: Recorded) -> list[list[Stretch]]:
    """Return the stretches of turning of each coat, oldest first."""
    coats: list[list[Stretch]] = [[] for _ in run.plan.coats]
    index = 0
    for row, event in run.happened:
        if isinstance(event, Stepped):
            index = event.coat - 1
        elif isinstance(event, MixedAgain):
            coats[index] = []
        elif isinstance(event, TurningBegan):
            coats[index].append(Stretch(row.at_s, []))
        if coats[index]:
            _follow(coats[index][-1], row.at_s, event)
    return coats


def _follow(now: Stretch, at_s: float, event: RunEvent) -> None:
    """Bring the running stretch up to date with one event."""
    if isinstance(event, Queued) and not event.ending:
        now.ramps += event.ramps
    elif isinstance(event, Rejoined):
        if event.dropped_ramps:
            del now.ramps[-event.dropped_ramps :]
        gap_s = at_s - now.from_s - now.queued_s
        if not event.exact and now.ramps and gap_s > 0.0:
            now.ramps.append((gap_s, *now.ramps[-1][1:]))  # the frame kept its last speed
    elif isinstance(event, Halted) and math.isinf(now.until_s):
        now.until_s = at_s


def turned(run: Recorded) -> ProvenRun:
    """Return the spin over the cure as it was made. Raises InputError for a coat that did not gel
    while turning."""
    coats = turned_coats(run)
    for planned in run.plan.coats:
        if planned.coat not in coats:
            said = (
                f"coat {planned.coat} stopped turning before it gelled: there is nothing to repeat"
            )
            raise InputError("run", run.run_id, said)
    return ProvenRun(run_id=run.run_id, sha256=run.sha256(), coats=tuple(coats.values()))


def turned_coats(run: Recorded) -> dict[int, ProvenCoat]:
    """Return the coats that turned until they gelled, by their numbers."""
    kin = kinetics_of(run.plan.casting)
    found = (_turned_coat(run, kin, index, parts) for index, parts in enumerate(stretches(run)))
    return {coat.coat: coat for coat in found if coat is not None}


def _turned_coat(
    run: Recorded, kin: cure.Kinetics, index: int, parts: list[Stretch]
) -> ProvenCoat | None:
    coat, planned = run.state.coats[index], run.plan.coats[index]
    met_s, poured_s, from_s = coat.parts_met_s, coat.poured_s, coat.spin_from_s
    gel_s = coat.gel_coat_s
    if met_s is None or poured_s is None or from_s is None or gel_s is None or not parts:
        return None
    casting = run.plan.casting
    mould_degC = casting.mould.temp_degC
    room_degC = _mean(run.samples, coat.coat, gel_s, "room_degC", casting.shop.temp_degC)
    mould_degC = _mean(
        run.samples, coat.coat, gel_s, "mould_degC", room_degC if mould_degC is None else mould_degC
    )
    part_a_g = coat.part_a_g or planned.part_a_g
    part_b_g = coat.part_b_g or planned.part_b_g
    history = cure_of_coat(
        casting,
        kin,
        planned.mean_mm,
        part_a_g + part_b_g,
        poured_s - met_s,
        room_degC,
        mould_degC + planned.wall_warmer_K,
    )
    path = CurePath.of(kin, history)
    return ProvenCoat(
        coat=coat.coat,
        part_a_g=part_a_g,
        part_b_g=part_b_g,
        poured_s=poured_s - met_s,
        spin_from_s=from_s - met_s,
        start_deg=planned.start_deg,
        ramps=ramps_of(run.state, index, parts),
        gel_ratio=gel_s / path.gel_s,
        mould_degC=mould_degC,
        cure=CureTable.of(path.gelling_at(gel_s), room_degC),
    )


def ramps_of(state: RunState, index: int, parts: list[Stretch]) -> tuple[Ramp, ...]:
    """Return all stretches and standstills as ramps, each with the name of the spin's leg at that
    time."""
    profile = state.profile_of(index)
    begun_s = parts[0].from_s
    rows: list[Ramp3] = []
    for part in parts:
        stood_s = part.from_s - begun_s - sum(row[0] for row in rows)
        if stood_s > 0.0:
            rows.append((stood_s, 0.0, 0.0))
        rows += part.cut(state.plan.rig.accel_limit_rpm_s)
    ramps, now_s = [], 0.0
    for duration_s, major, minor in rows:
        leg = profile.leg_at(now_s + 0.5 * duration_s)
        now_s += duration_s
        ramps.append(Ramp(leg=leg, duration_s=duration_s, major_rpm=major, minor_rpm=minor))
    return tuple(ramps)


def _mean(
    samples: Sequence[Sample], coat: int, until_s: float, field: str, otherwise: float
) -> float:
    """Return the mean of a temperature over a coat's samples until a time on its own clock."""
    rows = [
        getattr(sample, field)
        for sample in samples
        if sample.coat == coat and sample.coat_time_s is not None and sample.coat_time_s <= until_s
    ]
    known = [value for value in rows if value is not None]
    return sum(known) / len(known) if known else otherwise
