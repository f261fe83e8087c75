"""The record, for use on the event loop.

Rows are numbered at once and written in batches. While a disk is full, they wait in bounded memory.
If the disk refuses for good, the record continues in `evenwall.records.fallback_store`. The next
process that finds the disk working again copies it back. The run continues in any case. The journal
runs on a separate thread, so that a slow card never delays the loop.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

from evenwall.errors import RecordError
from evenwall.model import Event, Plan, Sample
from evenwall.records import fallback_store as beside
from evenwall.records.journal import Journal, salvage
from evenwall.records.rows import Batch, row_id
from evenwall.records.trouble import LASTING, Damaged, DiskFull, DiskRefuses, OfLaterRelease
from evenwall_bridge.clock import Anchor

T = TypeVar("T")
# Samples are written together to spare the card: each write syncs it once and costs four pages of
# 4 kB. An event is written at once, together with the waiting samples. A power cut loses at most
# this much of the curve and nothing that was acknowledged.
SAMPLES_EVERY_S = 10.0
SAMPLES_WAITING = 20_000  # rows for a sleeping disk: five and a half hours at one a second
EVENTS_WAITING = 20_000
log = logging.getLogger(__name__)


class Records:
    """Journal for the event loop: rows are numbered at once and written soon.

    Everything here runs on the event loop's thread except the journal's own calls, which run one
    at a time on a thread (or in line, for a record in memory).
    """

    def __init__(self, where: Path | Journal | None) -> None:
        """Open the record.

        A damaged file is set aside. If the disk refuses, the record continues elsewhere. None keeps
        the record in memory; a journal in memory continues after the last row of an earlier
        Records. Raises RecordError for a record of a later release, or one that another program
        holds.
        """
        self.trouble: str | None = None  # the reason in words while rows wait in memory
        self.moved: str | None = None  # why and in which other file the record continues
        self.samples_dropped = 0
        self._leaves_for = LASTING
        self._home = self._path = where if isinstance(where, Path) else None
        if isinstance(where, Journal):
            self.journal = where
        else:
            self.journal = Journal(None) if where is None else self._opened(where)
        last = self.journal.last_id()
        # Ids assigned before a crash but never written are not used again.
        self._next_id = last + 1 + (SAMPLES_WAITING + EVENTS_WAITING if last else 0)
        self._waiting = Batch()
        self._busy = asyncio.Lock()
        self._thread = None if self._path is None else ThreadPoolExecutor(1, "records")

    # --- writing ---------------------------------------------------------------------------------

    def _number(self) -> int:
        self._next_id += 1
        return self._next_id - 1

    def event(
        self,
        run_id: str,
        at_s: float,
        utc: str,
        kind: str,
        data: dict[str, Any],
        key: str | None = None,
    ) -> Event:
        """Number an event and queue it for writing."""
        event = Event(
            event_id=self._number(), run_id=run_id, at_s=at_s, utc=utc, kind=kind, data=data
        )
        self._waiting.events.append((event, key))
        while len(self._waiting.events) > EVENTS_WAITING:
            self._waiting.events.popleft()
        return event

    def plan(self, run_id: str, plan: Plan) -> None:
        self._waiting.plans[run_id] = plan.model_dump_json()

    def keep(self, name: str, value: str) -> None:
        """Keep a note under a name and replace the earlier one: see `Journal.note`."""
        self._waiting.notes[name] = value

    def sample(self, run_id: str, values: dict[str, Any]) -> Sample:
        """Number a sample and queue it. If memory is full, drop every second waiting sample."""
        sample = Sample.model_construct(sample_id=self._number(), **values)
        waiting = self._waiting.samples
        waiting.append((run_id, sample))
        if len(waiting) > SAMPLES_WAITING:
            kept = deque(row for place, row in enumerate(waiting) if place % 2)
            self.samples_dropped += len(waiting) - len(kept)
            self._waiting.samples = kept
        return sample

    def samples_due(self, now_s: float) -> bool:
        """Whether samples have waited for SAMPLES_EVERY_S. now_s: on the clock of their `at_s`."""
        waiting = self._waiting.samples
        return bool(waiting) and now_s - waiting[0][1].at_s >= SAMPLES_EVERY_S

    async def flush(self, anchor: Anchor | None = None) -> bool:
        """Write the waiting rows; True if all are on the disk. Never raises: see `trouble`."""
        async with self._busy:
            batch, self._waiting = self._waiting, Batch()
            if not batch and anchor is None:
                return True
            try:
                await self._on_thread(lambda: self._write(batch, anchor))
            except RecordError as error:
                self.trouble = f"The record cannot be written: {error}."
                self._put_back(batch)
                return False
            self.trouble = None
            return True

    def _put_back(self, batch: Batch) -> None:
        late = self._waiting
        batch.plans.update(late.plans)
        batch.notes.update(late.notes)
        batch.events.extend(late.events)
        batch.samples.extend(late.samples)
        self._waiting = batch

    def _write(self, batch: Batch, anchor: Anchor | None) -> None:
        try:
            self.journal.write(batch, anchor)
        except self._leaves_for as error:
            fresh = self._moved_on(error)
            if fresh is None:
                raise
            before, self.journal = self.journal, fresh
            before.close()
            self.journal.write(batch, anchor)

    def rewrite(self, plan: tuple[str, Plan], events: Iterable[tuple[Event, str | None]]) -> None:
        """Write the whole running casting into the other file after the record has moved."""
        self.plan(*plan)
        known = {event.event_id for event, _ in self._waiting.events}
        self._waiting.events.extendleft(
            reversed([(event, key) for event, key in events if event.event_id not in known])
        )

    # --- where it is written ---------------------------------------------------------------------

    def _opened(self, path: Path) -> Journal:
        try:
            journal = _writable(path)
        except (Damaged, OfLaterRelease, DiskRefuses, DiskFull) as error:
            journal = self._moved_on(error) or self._in_memory(error)
            if self._path != path:
                return journal
        for place in beside.copies(path):
            try:
                journal.take_in(place)
                beside.end(place)
            except (DiskRefuses, DiskFull) as error:
                journal.close()
                return self._moved_on(error) or self._in_memory(error)
            except (RecordError, OSError) as error:
                self.moved = f"The fallback record could not be merged back ({error}): {place}."
        return journal

    def _moved_on(self, reason: RecordError) -> Journal | None:
        """Return the file in which the record continues; None if there is no other."""
        if self._path is None:
            return None
        if isinstance(reason, Damaged | OfLaterRelease):
            with contextlib.suppress(RecordError):  # a failing disk looks like damage at first
                return self._begin_new_file(self._path, reason)
        return self._go_beside(self._path, reason) if self._path == self._home else None

    def _begin_new_file(self, path: Path, reason: RecordError) -> Journal:
        """Move a damaged file out of the way, with its log, and begin a new one."""
        number = 1
        try:
            while path.with_name(f"{path.name}.damaged-{number}").exists():
                number += 1
            moved = path.with_name(f"{path.name}.damaged-{number}")
            for end in ("", "-wal", "-shm"):
                part = path.with_name(path.name + end)
                if part.exists():
                    part.rename(moved.with_name(moved.name + end))
        except OSError as error:
            raise RecordError(f"record {path}: {error.strerror}") from None
        journal = _writable(path)
        if isinstance(reason, OfLaterRelease):
            self.moved = (
                f"The record is of a later release. It was kept as {moved}, and a new "
                f"one was started."
            )
            return journal
        saved = salvage(journal, moved)
        self.moved = f"The record was damaged. It was kept as {moved}, and a new one was started."
        if saved:
            self.moved += f" {saved} rows could still be read and are in the new one."
        return journal

    def _go_beside(self, path: Path, reason: RecordError) -> Journal | None:
        for place in beside.places(path):
            journal = _copied(path, place)
            if journal is not None:
                self._path = place
                self.moved = (
                    f"The record cannot be written ({reason}). It continues in {place} "
                    f"and is merged back when Evenwall next starts with a working disk. Copy that "
                    f"folder elsewhere before the power goes off."
                )
                return journal
        return None

    def _in_memory(self, reason: RecordError) -> Journal:
        """Return a record in memory: at the start waiting is useless, and the frame may turn."""
        self._path = None
        self.moved = (
            f"The record cannot be written ({reason}), nor anywhere else. It is kept in "
            f"memory and lost when Evenwall ends."
        )
        return Journal(None)

    # --- reading ---------------------------------------------------------------------------------

    async def _on_thread(self, work: Callable[[], T]) -> T:
        if self._thread is None:
            return work()
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    async def read(self, work: Callable[[Journal], T]) -> T:
        """Try to write waiting rows, then run a query on the journal. Raises RecordError."""
        await self.flush()
        return await self._on_thread(lambda: work(self.journal))

    async def items(self, after_id: int, limit: int = 5000) -> list[Event | Sample]:
        """Events and samples of every run after an id, in order, from file and memory."""

        def work(journal: Journal) -> list[Event | Sample]:
            return [
                *journal.events(None, after_id, limit),
                *journal.samples(None, after_id, limit=limit),
            ]

        try:
            found = await self.read(work)
        except RecordError:
            found = []
        found += [event for event, _ in self._waiting.events if event.event_id > after_id]
        found += [sample for _, sample in self._waiting.samples if sample.sample_id > after_id]
        ordered = {row_id(row): row for row in found}
        return [ordered[i] for i in sorted(ordered)][:limit]

    async def close(self) -> None:
        """Close the record. Raises RecordError if unwritten rows are lost with this process."""
        before = self.moved
        self._leaves_for = (*LASTING, DiskFull)  # space that becomes free later is too late
        written = await self.flush()
        if self.moved is not None and self.moved != before:
            log.warning(self.moved)  # no panel can show it any more
        await self._on_thread(self.journal.close)
        if self._thread is not None:
            self._thread.shutdown(wait=True)
        if not written:
            lost = len(self._waiting.events)
            raise RecordError(f"{self.trouble} The last {lost} events are lost.")


async def set_damage_aside(records: Records, reason: RecordError) -> bool:
    """Set aside a record whose damage appeared only on reading. False: it is not damaged."""
    path = records._path
    if not isinstance(reason, Damaged) or path is None:
        return False
    records.journal.close()
    records.journal = await records._on_thread(lambda: records._begin_new_file(path, reason))
    return True


def standing(path: Path) -> list[Journal]:
    """Return the files of the present record for reading: its fallback, then its own file.

    The fallback holds the newer rows, and also the older ones unless there was no room for them.
    Empty if there is no record. Raises RecordError if none of the files can be read.
    """
    there = beside.copies(path)
    if there or path.exists():
        there.append(path)
    found, wrong = [], []
    for file in there:
        try:
            found.append(Journal(file))
        except RecordError as error:
            wrong.append(error)
    if wrong and not found:
        raise wrong[0]
    return found


def to_change(path: Path) -> Journal:
    """Open the record for a command that writes to it while no controller runs.

    A fallback is first copied back to the record's own disk, as a controller does. Raises
    RecordError.
    """
    return Records(path).journal if beside.copies(path) else Journal(path)


def _writable(path: Path) -> Journal:
    """Open a journal and check that it can be written. Raises RecordError."""
    journal = Journal(path)
    try:
        journal.try_writing()
    except RecordError:
        journal.close()
        raise
    return journal


def _copied(path: Path, place: Path) -> Journal | None:
    """Return the copy that an earlier process made in this place, or a new one.

    If the old file cannot be read or is too large for the place, return an empty record. None:
    the place cannot be written.
    """
    if beside.is_there(place):
        with contextlib.suppress(RecordError):
            return _writable(place)
        return None
    for parts in (beside.PARTS, ()):
        try:
            beside.begin(place, path, parts)
        except OSError:
            continue
        try:
            return _writable(place)
        except RecordError:
            with contextlib.suppress(OSError):
                beside.end(place)
    return None
