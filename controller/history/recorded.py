"""A recorded run and its proof, as data."""

from __future__ import annotations

import hashlib
import itertools
import json
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import rfc8785

from evenwall.errors import InputError, RecordError
from evenwall.model import (
    Event,
    Finding,
    Frozen,
    Measured,
    Missing,
    Plan,
    Positive,
    Sample,
    Trouble,
    parse,
)
from evenwall.records.journal import Journal
from evenwall.run.events import Proven, RunEvent, Started, read
from evenwall.run.folding import fold_all
from evenwall.run.replay import (
    ProvenRun,
)
from evenwall.run.state import RunState


class MouldLesson(Frozen):
    """Lesson of one casting about its mould: ratios that are 1 if it came out as predicted."""

    run_id: str
    weight_ratio: Positive | None = None  # resin that stayed in the mould, over that predicted
    rim_ratio: Positive | None = None  # the rim over the average wall, over that ratio as predicted


class Proof(Frozen):
    """Entry of a proven run in the record. `sha256` covers all content before it: the plan, the
    events and the samples. reason: given by a person who proves a casting that contradicts its
    plan."""

    measured: Measured
    findings: tuple[Finding, ...]
    sentences: tuple[str, ...]
    troubles: tuple[Trouble, ...] = ()
    missing: tuple[Missing, ...] = ()
    reason: str = ""
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
        """Read a run. Raises InputError when there is no such run, RecordError when it cannot be
        read."""
        events = tuple(journal.events(run_id))
        if not events:
            raise InputError("run_id", run_id, "no such run in the record")
        return Recorded(run_id, journal.plan_json(run_id), events, tuple(journal.samples(run_id)))

    @property
    def plan(self) -> Plan:
        """The plan at the run's end: coats that were still to lay may have been planned again."""
        return self.state.plan

    @cached_property
    def happened(self) -> tuple[tuple[Event, RunEvent], ...]:
        """Return every row with its typed event. Raises InputError for a row that fits none."""
        return tuple((row, read(row)) for row in self.events)

    @property
    def rig_name(self) -> str:
        """Name of the rig that the run was started on."""
        first = self.happened[0][1]
        return (first.rig if isinstance(first, Started) else "") or self.plan.rig.name

    @cached_property
    def state(self) -> RunState:
        return fold_all(self.run_id, Plan.model_validate_json(self.plan_json), self.events)

    @property
    def proof(self) -> Proof | None:
        row = next((row for row in self.events if row.kind == Proven.kind), None)
        return None if row is None else parse(Proof, Proven.of(row).proof, f"run {self.run_id}")

    def sha256(self) -> str:
        """Hash of everything written before the proof, in RFC 8785's canonical JSON. It leaves out
        the journal's own row numbers, because another journal gives others, and unknown values."""
        before = itertools.takewhile(lambda event: event.kind != Proven.kind, self.events)
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
        """Raise RecordError if a proven run was changed since it was proven."""
        proof = self.proof
        if proof is not None and proof.sha256 != self.sha256():
            raise RecordError(
                f"run {self.run_id} was changed after it was proven: its content no longer has "
                f"the hash {proof.sha256[:12]}..."
            )
