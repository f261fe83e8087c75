"""Lessons of proven castings about moulds and resins, kept as notes of the journal."""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import math
from collections.abc import Mapping
from pathlib import Path

from evenwall.errors import InputError, RecordError
from evenwall.history.measured import Unread, in_resin, said_by, unread
from evenwall.history.recorded import MouldLesson, Proof, Recorded
from evenwall.model import (
    Casting,
    Frozen,
    Plan,
    ProbeSpec,
    Resin,
)
from evenwall.numerics import gel
from evenwall.numerics.gel.memory import VERSION, ResinMemory, after, from_data, to_data
from evenwall.planning import Taught
from evenwall.planning.wall_rows import WallSaid
from evenwall.records.journal import Journal
from evenwall.run.gel_monitor import RESIN_NOTES, SETTLE_S, gel_case, resin_note
from evenwall.units import kelvin

DOUBTS = 2.0  # a lesson counts as if this many earlier castings had come out as predicted
LESSON_MOST = 1.5  # no casting may teach more than this factor at once
MOULD_NOTES = "mould:"
log = logging.getLogger(__name__)
KEEP = 20  # lessons per mould
LEARN_S = 20.0  # a resin learns from readings this far apart ...
LEARN_GELS = 1.5  # ... until this many of the latest gels that the plan expected


def bounded(ratio: float) -> float:
    return min(max(ratio, 1.0 / LESSON_MOST), LESSON_MOST)


class MouldMemory(Frozen):
    """Lessons of one mould, oldest first."""

    lessons: tuple[MouldLesson, ...] = ()

    def after(self, lesson: MouldLesson) -> MouldMemory:
        others = tuple(known for known in self.lessons if known.run_id != lesson.run_id)
        return MouldMemory(lessons=(*others, lesson)[-KEEP:])

    @property
    def runs(self) -> list[str]:
        """Return the runs, oldest first."""
        return [lesson.run_id for lesson in self.lessons]

    @property
    def weight_ratio(self) -> float:
        """Expected weight over the predicted one: the lessons' mean in logs, shrunk towards 1."""
        return self._drawn([lesson.weight_ratio for lesson in self.lessons])

    @property
    def rim_ratio(self) -> float:
        """Factor on the predicted ratio of the rim to the average wall. It says nothing about the
        wall itself."""
        return self._drawn([lesson.rim_ratio for lesson in self.lessons])

    @staticmethod
    def _drawn(ratios: list[float | None]) -> float:
        logs = [math.log(ratio) for ratio in ratios if ratio is not None]
        return math.exp(sum(logs) / (len(logs) + DOUBTS))


def mould_note(plan: Plan) -> str:
    """Return the name under which the journal keeps a mould's memory: the mesh's own hash."""
    return f"{MOULD_NOTES}{plan.geometry.mesh_sha256}"


def mould_memory(journal: Journal, plan: Plan) -> MouldMemory:
    kept = journal.note(mould_note(plan))
    return MouldMemory() if kept is None else _mould(kept)


def _mould(kept: str) -> MouldMemory:
    """Return a mould's memory; a new one if the note cannot be read, which then learns again."""
    try:
        return MouldMemory.model_validate_json(kept)
    except ValueError:
        log.warning("a mould's memory cannot be read and starts afresh")
        return MouldMemory()


def _resin(kept: str) -> ResinMemory:
    """Return a resin's memory; a new one if the note cannot be read. Raises RecordError for that of
    a later release, which must not be overwritten."""
    try:
        data = json.loads(kept)
        later = isinstance(data, dict) and isinstance(data.get("version"), int)
        later = later and VERSION < data["version"] < VERSION + 100
    except (ValueError, RecursionError):
        data, later = {}, False
    try:
        return from_data(data if isinstance(data, dict) else {})
    except RecordError:
        if later:
            raise
        log.warning("a resin's memory cannot be read and starts afresh")
        return ResinMemory()


def taught_by(
    journal: Journal,
    mesh: Path,
    resin: Resin | None = None,
    fresh: Mapping[str, str] | None = None,
) -> Taught:
    """Return the planner's knowledge of a mould, by its mesh file, and of its measured castings in
    this resin. fresh: see `measured.said_by`. Raises RecordError, InputError."""
    kept = journal.note(f"{MOULD_NOTES}{_hash_of(mesh)}")
    if kept is None:
        return Taught()
    memory = _mould(kept)
    walls = () if resin is None else walls_in(journal, memory, resin, fresh or {})
    return Taught(memory.weight_ratio, memory.rim_ratio, len(memory.lessons), walls)


def _hash_of(mesh: Path) -> str:
    try:
        return hashlib.sha256(mesh.read_bytes()).hexdigest()
    except OSError as error:
        raise InputError("mesh", mesh, error.strerror or "cannot be read") from None


def walls_in(
    journal: Journal, memory: MouldMemory, resin: Resin, fresh: Mapping[str, str]
) -> tuple[WallSaid, ...]:
    """Return what the measured castings of a mould in this resin said, oldest first."""
    runs = in_resin(journal, memory.runs, resin)
    said = (said_by(journal, run_id, fresh) for run_id in runs)
    return tuple(one for one in said if one is not None and one.rows)


def unread_of(journal: Journal, casting: Casting) -> list[Unread]:
    """Return the measured castings of this mould and resin whose walls are still to be read. Raises
    RecordError, InputError."""
    kept = journal.note(f"{MOULD_NOTES}{_hash_of(casting.mesh)}")
    return [] if kept is None else unread(journal, _mould(kept).runs, casting.resin)


def resin_memory(journal: Journal, plan: Plan) -> ResinMemory:
    """Return the memory of a plan's resin. Raises RecordError for a memory of another version."""
    kept = journal.note(resin_note(plan))
    return ResinMemory() if kept is None else _resin(kept)


def resin_memories(journal: Journal) -> dict[str, ResinMemory]:
    """Return every resin's memory by the name under which it is kept."""
    found = {}
    for name, kept in journal.notes(RESIN_NOTES).items():
        with contextlib.suppress(RecordError):  # reported when it is to be written
            found[name] = _resin(kept)
    return found


def resin_after(run: Recorded, memory: ResinMemory) -> ResinMemory:
    """Return the memory after a proven run: each coat's touches and thinned trace are read
    again."""
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
