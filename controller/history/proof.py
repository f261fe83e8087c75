"""A measured casting proves its run: what was foreseen against scale and gauge, what that teaches,
and the run closed by its content's hash.

The rim is not the wall: a rim is what a gauge reaches, but the weight over the mould's own area
says how thick the skin is on average, and no rim reading can say more than that. So the weight
alone teaches how much resin stays in the mould, and a rim reading teaches only how the rim stands
to the average.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from statistics import fmean
from typing import Any

import rfc8785

from evenwall.errors import InputError, RecordError
from evenwall.model import (
    Event,
    Frozen,
    Measured,
    Plan,
    Positive,
    ProbeSpec,
    Ramp,
    RigSpec,
    Sample,
    Spot,
    parse,
)
from evenwall.numerics import cure, gel
from evenwall.numerics.gel.memory import ResinMemory, after, from_data, to_data
from evenwall.planning import Taught
from evenwall.planning.advice import mean_bound_mm
from evenwall.records.journal import Journal
from evenwall.run.gel_monitor import RESIN_NOTES, SETTLE_S, gel_case, resin_note
from evenwall.run.motion import Profile, to_rest
from evenwall.run.replay import (
    CurePath,
    CureTable,
    ProvenCoat,
    ProvenRun,
    Ramp3,
    cure_of_coat,
    kinetics_of,
    plan_today,
)
from evenwall.run.state import RunState, fold_all
from evenwall.units import kelvin

SCALE_G = 1.0  # a kitchen scale and a little flash: a smaller difference is none
GAUGE_MM = 0.2  # callipers on a cured rim: a smaller difference is none
DOUBTS = 2.0  # a lesson counts as if this many earlier castings had come out as foreseen
LESSON_MOST = 1.5  # no casting may teach more than this factor at once
MOULD_NOTES = "mould:"
KEEP = 20  # lessons of a mould
LEARN_S = 20.0  # a resin learns from readings this far apart ...
LEARN_GELS = 1.5  # ... until this many of the latest gels that the plan expected


class Finding(Frozen):
    """One figure foreseen and measured."""

    what: str
    unit: str
    foreseen: float | None
    measured: float
    sentence: str = ""

    @property
    def difference_percent(self) -> float | None:
        return None if not self.foreseen else 100.0 * (self.measured / self.foreseen - 1.0)


class MouldLesson(Frozen):
    """Lesson of one casting about its mould: ratios that are 1 where it came out as foreseen."""

    run_id: str
    weight_ratio: Positive | None = None  # resin that stayed in the mould, over that foreseen
    rim_ratio: Positive | None = None  # the rim over the average wall, against the same foreseen


class Proof(Frozen):
    """Entry of a proven run in the record. `sha256` covers all that came before
    it: the plan, the events and the samples."""

    measured: Measured
    findings: tuple[Finding, ...]
    sentences: tuple[str, ...]
    lesson: MouldLesson
    spin: ProvenRun

    @property
    def sha256(self) -> str:
        return self.spin.sha256


@dataclass(frozen=True)
class Recorded:
    """A run read back from the journal."""

    run_id: str
    plan_json: str  # as written
    events: tuple[Event, ...]
    samples: tuple[Sample, ...]

    @staticmethod
    def read(journal: Journal, run_id: str) -> Recorded:
        """Raises InputError when there is no such run, RecordError when it cannot be read."""
        events = tuple(journal.events(run_id))
        if not events:
            raise InputError("run_id", run_id, "no such run in the record")
        return Recorded(run_id, journal.plan_json(run_id), events, tuple(journal.samples(run_id)))

    @property
    def plan(self) -> Plan:
        """As it stood at the end: what was still to lay may have been planned again."""
        return self.state.plan

    @cached_property
    def state(self) -> RunState:
        return fold_all(self.run_id, Plan.model_validate_json(self.plan_json), self.events)

    @property
    def proof(self) -> Proof | None:
        data = next((event.data for event in self.events if event.kind == "proven"), None)
        return None if data is None else parse(Proof, data["proof"], f"run {self.run_id}")

    def sha256(self) -> str:
        """Hash of all that was written before the proof, in RFC 8785's canonical JSON. Left out
        are the journal's own row numbers, because another journal gives others, and what is
        not known."""
        before = itertools.takewhile(lambda event: event.kind != "proven", self.events)
        content: dict[str, Any] = {
            "run_id": self.run_id,
            "plan": json.loads(self.plan_json),
            "events": [event.model_dump(mode="json", exclude={"event_id"}) for event in before],
            "samples": [
                sample.model_dump(mode="json", exclude={"sample_id"}, exclude_none=True)
                for sample in self.samples
            ],
        }
        return hashlib.sha256(rfc8785.dumps(content)).hexdigest()

    def check(self) -> None:
        """Raises RecordError when a proven run is not what it was when it was proven."""
        proof = self.proof
        if proof is not None and proof.sha256 != self.sha256():
            raise RecordError(
                f"run {self.run_id} was changed after it was proven: its content no longer has "
                f"the hash {proof.sha256[:12]}..."
            )


def make_proof(run: Recorded, measured: Measured | None = None) -> Proof:
    """Hold a casting against what was foreseen. `measured` adds to what the run's own MEASURE step
    wrote down. Raises InputError when the run cannot be proven: not ended, not measured, not
    gelled, or proven already."""
    if run.proof is not None:
        raise InputError("run", run.run_id, "is proven already")
    state = run.state
    if not state.over:
        raise InputError("run", run.run_id, "is not ended yet")
    told = parse(
        Measured,
        {k: v for k, v in state.measured.items() if k in Measured.model_fields},
        f"run {run.run_id}",
    )
    if measured is not None:
        added = measured.model_dump(mode="json", exclude_defaults=True)
        told = parse(Measured, {**told.model_dump(mode="json"), **added}, "measures")
    if told.weight_g is None and not told.rim_mm and not told.spots:
        raise InputError("weight_g", "missing", "weigh or gauge the casting first", unit="g")
    solid_g = run.plan.totals.solid_g
    if told.weight_g is not None and told.weight_g > solid_g:
        limit = f"must be at most {solid_g:.0f}: so much would it weigh if it were solid"
        raise InputError("weight_g", f"{told.weight_g:g}", limit, unit="g")
    findings, sentences, lesson = compare(run.plan, state, told)
    return Proof(
        measured=told,
        findings=tuple(findings),
        sentences=tuple(sentences),
        lesson=lesson,
        spin=turned(run),
    )


# --- Foreseen and measured ------------------------------------------------------------------------


def stayed_g(plan: Plan, state: RunState) -> float:
    """Grams that should be in the mould: as weighed, less what cups keep and rims spill."""
    total = 0.0
    for coat, planned in zip(state.coats, plan.coats, strict=True):
        mixed = planned.mix_g
        if coat.part_a_g is not None and coat.part_b_g is not None:
            mixed = coat.part_a_g + coat.part_b_g
        left_g = planned.cup_left_g if coat.cup_left_g is None else coat.cup_left_g
        spill_g = planned.spill_g if coat.spill_g is None else coat.spill_g
        total += mixed - left_g - spill_g
    return total


def compare(
    plan: Plan, state: RunState, measured: Measured
) -> tuple[list[Finding], list[str], MouldLesson]:
    """Findings, what they mean in words, and the lesson for the mould."""
    findings: list[Finding] = []
    said: list[str] = []
    density = plan.casting.resin.sheet.mixed_density_g_cm3
    area_cm2 = plan.geometry.area_cm2
    expected_g = stayed_g(plan, state)
    mean_mm = expected_g / density / area_cm2 * 10.0
    weight_ratio = rim_ratio = None
    if measured.weight_g is not None:
        findings.append(
            Finding(what="weight", unit="g", foreseen=expected_g, measured=measured.weight_g)
        )
        mean_mm = measured.weight_g / density / area_cm2 * 10.0
        findings.append(
            Finding(
                what="average wall, from the weight",
                unit="mm",
                foreseen=expected_g / density / area_cm2 * 10.0,
                measured=mean_mm,
            )
        )
        off_g = measured.weight_g - expected_g
        if abs(off_g) <= SCALE_G:
            weight_ratio = 1.0
        else:
            weight_ratio = _bounded(measured.weight_g / expected_g)
            said.append(
                f"{abs(off_g):.0f} g {'more' if off_g > 0 else 'less'} resin stayed in the mould "
                "than foreseen: that is what cups keep and rims spill."
            )
    if measured.rim_mm:
        rim = sum(measured.rim_mm) / len(measured.rim_mm)
        foreseen = plan.wall.rim_mm
        findings.append(Finding(what="rim", unit="mm", foreseen=foreseen, measured=rim))
        if foreseen is not None:
            near = abs(rim - foreseen) <= GAUGE_MM
            rim_ratio = 1.0 if near else _bounded(rim / mean_mm / (foreseen / plan.wall.mean_mm))
        said += _rim_sentences(plan, measured.weight_g, rim, mean_mm)
    findings += [_spot(plan, spot) for spot in measured.spots]
    return (
        findings,
        said,
        MouldLesson(run_id=state.run_id, weight_ratio=weight_ratio, rim_ratio=rim_ratio),
    )


def _bounded(ratio: float) -> float:
    return min(max(ratio, 1.0 / LESSON_MOST), LESSON_MOST)


def _rim_sentences(plan: Plan, weight_g: float | None, rim_mm: float, mean_mm: float) -> list[str]:
    if weight_g is None:
        return [f"The rim is not the wall: weigh the casting. {rim_mm:.1f} mm says only the rim."]
    if rim_mm <= mean_mm + GAUGE_MM:
        return []
    most_mm = mean_bound_mm(
        weight_g, plan.totals.solid_g, plan.casting.resin.sheet.mixed_density_g_cm3, opening=True
    )
    return [
        f"The rim is not the wall: it reads {rim_mm:.1f} mm, but {weight_g:.0f} g on "
        f"{plan.geometry.area_cm2:.0f} cm2 average {mean_mm:.1f} mm. On any form of this volume "
        f"with one flat opening they could average {most_mm:.1f} mm at most."
    ]


def _spot(plan: Plan, spot: Spot) -> Finding:
    """A spot is held against the span foreseen for nine tenths of the wall: which spot of the mesh
    it is, a name does not say."""
    low, high = plan.wall.p05_mm, plan.wall.p95_mm
    words = ""
    if low is not None and high is not None:
        inside = low - GAUGE_MM <= spot.wall_mm <= high + GAUGE_MM
        words = f"{'within' if inside else 'outside'} the {low:.1f} to {high:.1f} mm foreseen"
    return Finding(what=spot.where, unit="mm", foreseen=None, measured=spot.wall_mm, sentence=words)


# --- What was turned ------------------------------------------------------------------------------


@dataclass
class _Stretch:
    """One stretch of turning as it was handed to the board."""

    from_s: float
    ramps: list[Ramp3]
    until_s: float = math.inf

    @property
    def queued_s(self) -> float:
        return sum(ramp[0] for ramp in self.ramps)

    def cut(self, accel_rpm_s: float) -> list[Ramp3]:
        """Return the turns as they were made: up to the stop, and then to rest."""
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


def stretches(run: Recorded) -> list[list[_Stretch]]:
    """Per coat, its stretches of turning, oldest first."""
    coats: list[list[_Stretch]] = [[] for _ in run.plan.coats]
    index = 0
    for event in run.events:
        data = event.data
        if event.kind == "stepped":
            index = int(data["coat"]) - 1
        elif event.kind == "mixed_again":
            coats[index] = []
        elif event.kind == "turning_began":
            coats[index].append(_Stretch(event.at_s, []))
        if not coats[index]:
            continue
        now = coats[index][-1]
        if event.kind == "queued" and not data["ending"]:
            now.ramps += [(float(d), float(a), float(b)) for d, a, b in data["ramps"]]
        elif event.kind == "rejoined":
            dropped = int(data["dropped_ramps"])
            if dropped:
                del now.ramps[-dropped:]
            gap_s = event.at_s - now.from_s - now.queued_s
            if not data["exact"] and now.ramps and gap_s > 0.0:
                now.ramps.append((gap_s, *now.ramps[-1][1:]))  # it kept its last speed
        elif event.kind == "halted" and math.isinf(now.until_s):
            now.until_s = event.at_s
    return coats


def turned(run: Recorded) -> ProvenRun:
    """The spin over the cure, as it was. Raises InputError for a coat that did not gel turning."""
    coats = turned_coats(run)
    for planned in run.plan.coats:
        if planned.coat not in coats:
            said = f"coat {planned.coat} did not turn until it gelled: nothing to repeat"
            raise InputError("run", run.run_id, said)
    return ProvenRun(run_id=run.run_id, sha256=run.sha256(), coats=tuple(coats.values()))


def turned_coats(run: Recorded) -> dict[int, ProvenCoat]:
    """Each coat, by its number, that has turned until it gelled."""
    kin = kinetics_of(run.plan.casting)
    found = (_turned_coat(run, kin, index, parts) for index, parts in enumerate(stretches(run)))
    return {coat.coat: coat for coat in found if coat is not None}


def _turned_coat(
    run: Recorded, kin: cure.Kinetics, index: int, parts: list[_Stretch]
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
        mould_degC,
    )
    path = CurePath.of(kin, history)
    return ProvenCoat(
        coat=coat.coat,
        part_a_g=part_a_g,
        part_b_g=part_b_g,
        poured_s=poured_s - met_s,
        spin_from_s=from_s - met_s,
        start_deg=planned.start_deg,
        ramps=_ramps(run.plan, index, parts),
        gel_ratio=gel_s / path.gel_s,
        cure=CureTable.of(path.gelling_at(gel_s), room_degC),
    )


def _ramps(plan: Plan, index: int, parts: list[_Stretch]) -> tuple[Ramp, ...]:
    """All stretches with their standstills, each ramp under the name of the plan's leg then."""
    profile = Profile.of(plan.coats[index])
    begun_s = parts[0].from_s
    rows: list[Ramp3] = []
    for part in parts:
        stood_s = part.from_s - begun_s - sum(row[0] for row in rows)
        if stood_s > 0.0:
            rows.append((stood_s, 0.0, 0.0))
        rows += part.cut(plan.rig.accel_limit_rpm_s)
    ramps, now_s = [], 0.0
    for duration_s, major, minor in rows:
        leg = profile.leg_at(now_s + 0.5 * duration_s)
        now_s += duration_s
        ramps.append(Ramp(leg=leg, duration_s=duration_s, major_rpm=major, minor_rpm=minor))
    return tuple(ramps)


def _mean(
    samples: Sequence[Sample], coat: int, until_s: float, field: str, otherwise: float
) -> float:
    """Mean of a temperature over a coat's samples until a time of its own clock."""
    rows = [
        getattr(sample, field)
        for sample in samples
        if sample.coat == coat and sample.coat_time_s is not None and sample.coat_time_s <= until_s
    ]
    known = [value for value in rows if value is not None]
    return sum(known) / len(known) if known else otherwise


# --- What a mould has taught ----------------------------------------------------------------------


class MouldMemory(Frozen):
    """Lessons of one mould, oldest first."""

    lessons: tuple[MouldLesson, ...] = ()

    def after(self, lesson: MouldLesson) -> MouldMemory:
        others = tuple(known for known in self.lessons if known.run_id != lesson.run_id)
        return MouldMemory(lessons=(*others, lesson)[-KEEP:])

    @property
    def weight_ratio(self) -> float:
        """Expect this much of the foreseen weight: the lessons' mean in logs, drawn towards 1."""
        return self._drawn([lesson.weight_ratio for lesson in self.lessons])

    @property
    def rim_ratio(self) -> float:
        """Expect the rim to stand to the average wall by this factor differently. It says nothing
        of the wall itself."""
        return self._drawn([lesson.rim_ratio for lesson in self.lessons])

    @staticmethod
    def _drawn(ratios: list[float | None]) -> float:
        logs = [math.log(ratio) for ratio in ratios if ratio is not None]
        return math.exp(sum(logs) / (len(logs) + DOUBTS))


def mould_note(plan: Plan) -> str:
    """Under which name the journal keeps a mould's memory: the mesh's own hash."""
    return f"{MOULD_NOTES}{plan.geometry.mesh_sha256}"


def mould_memory(journal: Journal, plan: Plan) -> MouldMemory:
    kept = journal.note(mould_note(plan))
    return MouldMemory() if kept is None else MouldMemory.model_validate_json(kept)


def taught_by(journal: Journal, mesh: Path) -> Taught:
    """Return the planner's knowledge of a mould, by its mesh file. Raises RecordError,
    InputError."""
    try:
        sha256 = hashlib.sha256(mesh.read_bytes()).hexdigest()
    except OSError as error:
        raise InputError("mesh", mesh, error.strerror or "cannot be read") from None
    kept = journal.note(f"{MOULD_NOTES}{sha256}")
    if kept is None:
        return Taught()
    memory = MouldMemory.model_validate_json(kept)
    return Taught(memory.weight_ratio, memory.rim_ratio, len(memory.lessons))


# --- What a resin has taught ----------------------------------------------------------------------


def resin_memory(journal: Journal, plan: Plan) -> ResinMemory:
    """Raises RecordError for a memory of another version."""
    kept = journal.note(resin_note(plan))
    return ResinMemory() if kept is None else from_data(json.loads(kept))


def resin_memories(journal: Journal) -> dict[str, ResinMemory]:
    """Every resin's memory by the name it is kept under."""
    return {name: from_data(json.loads(kept)) for name, kept in journal.notes(RESIN_NOTES).items()}


def resin_after(run: Recorded, memory: ResinMemory) -> ResinMemory:
    """The memory once a run is proven: each coat's trace and touches are read again, thinned."""
    probe = next((p for p in run.plan.rig.probes if p.role == "resin"), ProbeSpec())
    for planned, coat in zip(run.plan.coats, run.state.coats, strict=True):
        met_s, poured_s = coat.parts_met_s, coat.poured_s
        if met_s is None or poured_s is None:
            continue
        state = gel.begin(gel_case(run.plan, planned, probe, poured_s - met_s))
        touches = [gel.Touch(_what(what), at_s - met_s) for what, at_s in coat.touches]
        rows, read_s = 0, -LEARN_S
        for sample in run.samples:
            time_s = sample.coat_time_s
            if sample.coat != coat.coat or time_s is None or time_s < read_s + LEARN_S:
                continue
            if time_s < SETTLE_S or time_s > LEARN_GELS * planned.clock.gel_high_s:
                continue
            read_s = time_s
            state, _ = gel.step(state, gel.Row(time_s, _K(sample.probe_degC), _K(sample.room_degC)))
            rows += 1
        for touch in touches if rows else ():
            state, _ = gel.step(state, touch)
        memory = after(memory, state)
    return memory


def _what(what: str) -> gel.What:
    return "coat" if what == "coat" else "cup"


def _K(temp_degC: float | None) -> float | None:
    return None if temp_degC is None else kelvin(temp_degC)


def lessons(journal: Journal, run: Recorded, proof: Proof) -> dict[str, str]:
    """Return a proof's lessons as notes of the journal: name to text. Raises RecordError."""
    mould = mould_memory(journal, run.plan).after(proof.lesson)
    resin = resin_after(run, resin_memory(journal, run.plan))
    return {
        mould_note(run.plan): mould.model_dump_json(),
        resin_note(run.plan): json.dumps(to_data(resin)),
    }


def proof_data(proof: Proof) -> dict[str, Any]:
    """The data of the `proven` event."""
    return {
        "proof": proof.model_dump(mode="json"),
        "sha256": proof.sha256,
        "sentence": " ".join(("Proven.", *proof.sentences)),
    }


def replayed(run: Recorded, rig: RigSpec, room_degC: float, mould_degC: float) -> Plan:
    """Today's plan of a recorded run on a rig. Raises RecordError when a proven run was changed,
    InputError when there is nothing to repeat."""
    run.check()
    proof = run.proof
    spin = turned(run) if proof is None else proof.spin
    plan = plan_today(run.plan.model_copy(update={"rig": rig}), spin, room_degC, mould_degC)
    if proof is None:
        said = f"Run {run.run_id} is not proven: nobody has measured its casting."
        return plan.model_copy(update={"notes": (*plan.notes, said)})
    return plan


def to_look_at(run: Recorded) -> tuple[Plan, str]:
    """The plan whose wall is a run's, and what it is in words: once every coat has gelled turning,
    what was weighed and turned, which is not what was planned where somebody was late."""
    try:
        spin = turned(run) if run.proof is None else run.proof.spin
    except InputError:
        again = run.state.replay_of is not None
        return run.plan, "As the proven run turned." if again else "As planned."
    room_degC = fmean(coat.cure.mean_degC for coat in spin.coats)
    mould = [sample.mould_degC for sample in run.samples if sample.mould_degC is not None]
    plan = plan_today(run.plan, spin, room_degC, fmean(mould) if mould else room_degC)
    return plan, "From what was weighed, and how it turned."
