"""List of runs, and the queries of a screen about one run.

A run's card is a summary of its journal. It is kept in the record with the number of the newest
event that it includes. So a start reads the cards of all earlier runs and folds none of them.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from pydantic import ValidationError

from evenwall.errors import EvenwallError, InputError, said_outside
from evenwall.history.comparison import compared
from evenwall.model import (
    Comparison,
    Event,
    Frozen,
    Plan,
    RecordLine,
    RunCard,
    Sample,
    Step,
)
from evenwall.model.seal import sealed
from evenwall.records.journal import Journal, newest_rows
from evenwall.run.events import Proven, Started, hidden
from evenwall.run.folding import taken_up
from evenwall.run.view import record_line
from evenwall.service.plan_jobs import PlanJobs
from evenwall.service.port import RunPort

NOTES = "card:"  # before the run's name, in the record's notes


class _Kept(Frozen):
    """Card as kept in the record. newest_id: number of the last event that it includes."""

    newest_id: int
    card: RunCard | None  # None: the run has no row that can be read


@dataclass(frozen=True)
class _Rows:
    """Rows for a card, read on the record's thread and folded elsewhere."""

    plan: Plan
    events: list[Event]


class RunList:
    """Queries of the service about all recorded runs."""

    def __init__(self, run: RunPort) -> None:
        self._run = run
        self._kept: dict[str, _Kept] | None = None  # by run; None: not yet read from the record

    async def cards(self) -> list[RunCard]:
        """Return a card of every run of the record, newest first."""
        records = self._run.records
        if self._kept is None:
            self._kept = _read_cards(await records.read(lambda journal: journal.notes(NOTES)))
        newest = await records.read(newest_rows)
        for run_id, last in newest.items():
            kept = self._kept.get(run_id)
            if kept is None or kept.newest_id != last:
                kept = self._kept[run_id] = _Kept(newest_id=last, card=await self._card(run_id))
                if kept.card is not None and kept.card.ended_utc is not None:
                    records.keep(f"{NOTES}{run_id}", kept.model_dump_json())
        return [card for run_id in newest if (card := self._kept[run_id].card) is not None]

    async def _card(self, run_id: str) -> RunCard | None:
        """Return a run's card, marked if its rows are unreadable; None if it has no rows."""
        try:
            return await self.card(run_id)
        except InputError:
            return None
        except EvenwallError as error:
            return RunCard(
                run_id=run_id,
                casting=f"(cannot be read: {said_outside(error)[:200]})",
                resin="",
                started_utc="",
                step=Step.ABANDONED,
                coats_done=0,
                coats=0,
                simulated=False,
            )

    async def card(self, run_id: str) -> RunCard:
        """Fold a run into its card. Raises InputError if there is no run of that name."""
        rows = await self._run.records.read(lambda journal: _rows_of(journal, run_id))
        # Fold on another thread: the record's thread is also needed for live writes.
        return await asyncio.to_thread(card_of, run_id, rows.plan, rows.events)

    async def record(self, run_id: str) -> list[RecordLine]:
        """Return a run's record, line by line, for people."""
        events = await self.events(run_id)
        return [record_line(event) for event in events if not hidden(event)]

    async def events(self, run_id: str, after_id: int = 0) -> list[Event]:
        """Return a run's rows after an id."""
        return await self._run.records.read(lambda journal: journal.events(run_id, after_id))

    async def plan(self, run_id: str) -> Plan:
        """Return the present plan of a run: the rest may have been planned again."""

        def work(journal: Journal) -> Plan:
            state, _ = taken_up(run_id, journal.plan(run_id), journal.events(run_id))
            return sealed(state.plan)

        return await self._run.records.read(work)

    async def curve(self, run_id: str | None, after_id: int, points: int) -> list[Sample]:
        """Return the samples of a run (None: the present one), thinned evenly to `points`."""
        state = self._run.state
        name = run_id or (None if state is None else state.run_id)
        if name is None:
            return []
        return await self._run.records.read(
            lambda journal: journal.samples(name, after_id, points=points)
        )

    async def compare(self, run_id: str, against: str) -> Comparison:
        """Compare a run with another, or a replay with the run it repeats. Raises InputError."""
        return await self._run.records.read(lambda journal: compared(journal, run_id, against))


async def plan_of(jobs: PlanJobs, runs: RunList, run_or_job_id: str) -> Plan:
    """Return the plan of a run, or of a job that has one. Raises InputError."""
    job = jobs.get(run_or_job_id)
    if job is None:
        return await runs.plan(run_or_job_id)
    if job.plan is None:
        raise InputError("job_id", run_or_job_id, "has no plan yet")
    return job.plan


def _read_cards(notes: dict[str, str]) -> dict[str, _Kept]:
    """Return the readable cards; a card of another version is made again."""
    found = {}
    for name, text in notes.items():
        try:
            found[name.removeprefix(NOTES)] = _Kept.model_validate_json(text)
        except ValidationError:
            continue
    return found


def _rows_of(journal: Journal, run_id: str) -> _Rows:
    events = journal.events(run_id)
    if not events:
        raise InputError("run_id", run_id, "no such run in the record")
    return _Rows(journal.plan(run_id), events)


def card_of(run_id: str, plan: Plan, events: list[Event]) -> RunCard:
    """Fold a run's journal into its card for the list. Raises RecordError."""
    state, _ = taken_up(run_id, plan, events)
    return RunCard(
        run_id=run_id,
        casting=plan.casting.name,
        resin=plan.casting.resin.name,
        started_utc=events[0].utc,
        ended_utc=events[-1].utc if state.over else None,
        step=state.step,
        coats_done=sum(coat.done for coat in state.coats),
        coats=len(state.coats),
        simulated=state.simulated,
        proven=any(event.kind == Proven.kind for event in events),
        rig=_rig_of(events[0]),
        replay_of=state.replay_of,
    )


def _rig_of(first: Event) -> str:
    """Name of the rig on which a run was started; empty if its first row cannot be read."""
    try:
        return Started.of(first).rig if first.kind == Started.kind else ""
    except InputError:
        return ""
