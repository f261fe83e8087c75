"""Writes the supervisor's events and samples, tells watchers, and releases actions that waited.

An action that must not happen before its record is written waits here for the journal. It waits at
most `PATIENCE_S`: a sleeping disk must not starve the frame of orders.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable, Iterator, MutableMapping, Sequence
from typing import Any

from evenwall.model import Event, Plan, RecordLine, Sample, Snapshot
from evenwall.records.records import Records
from evenwall.run.events import RunEvent, hidden
from evenwall.run.state import RunState
from evenwall.run.view import record_line
from evenwall_bridge.clock import Anchor, SystemClock
from evenwall_bridge.contract import Clock

PATIENCE_S = 2.0  # of the event loop, for the disk
LINES_SHOWN = 40
_BURST = 512  # items a watcher may lag behind before it reads the journal instead

Published = Event | Sample | Snapshot
KeyedRow = tuple[Event, str | None]


class Watcher:
    """Queue of one listener; when it overflows, the listener reads the journal instead."""

    def __init__(self) -> None:
        self.items: asyncio.Queue[Published] = asyncio.Queue()
        self.missed = False

    def put(self, item: Published) -> None:
        """Queue an item; if the queue is full, drop all items and note that some were missed."""
        if self.items.qsize() >= _BURST:
            while not self.items.empty():
                self.items.get_nowait()
            self.missed = True
        self.items.put_nowait(item)


class Recording:
    """Writes events and samples to the record in the background, and tells the watchers."""

    def __init__(
        self,
        records: Records,
        clock: Clock,
        notices: MutableMapping[str, str],
        running: Callable[[], RunState | None],
    ) -> None:
        """Set up the recording.

        running: returns the run being recorded, so that another file can get all of it.
        """
        self.records, self._clock, self._notices, self._running = records, clock, notices, running
        self.lines: deque[RecordLine] = deque(maxlen=LINES_SHOWN)
        self.last_id = 0
        self._rows: list[KeyedRow] = []  # of the running casting
        self._dirty = asyncio.Event()
        self._after_write: list[Callable[[bool], None]] = []
        self._watchers: set[Watcher] = set()
        self._move_told: str | None = None

    # --- writing ---------------------------------------------------------------------------------

    def begin(self, run_id: str, plan: Plan) -> None:
        """Begin the record of a new run."""
        self._rows = []
        self.lines.clear()
        self.records.plan(run_id, plan)

    def take_up(self, rows: Sequence[KeyedRow]) -> None:
        """Go on with the rows of an unfinished run."""
        self._rows = list(rows)
        self.last_id = rows[-1][0].event_id
        for row, _ in rows:
            self._show_line(row)

    def event(self, run_id: str, at_s: float, event: RunEvent, key: str | None) -> Event:
        """Put an event into the record of a run, and return its row."""
        utc = self._clock.utc().isoformat()
        row = self.records.event(run_id, at_s, utc, event.kind, event.data(), key)
        self._rows.append((row, key))
        self.last_id = row.event_id
        self._show_line(row)
        self.publish(row)
        self._dirty.set()
        return row

    def sample(self, run_id: str, at_s: float, values: dict[str, Any]) -> None:
        """Put a row of the curve into the record of a run."""
        sample = self.records.sample(run_id, values)
        self.last_id = sample.sample_id
        if self.records.samples_due(at_s):
            self._dirty.set()
        self.publish(sample)

    def _show_line(self, row: Event) -> None:
        if not hidden(row):
            self.lines.append(record_line(row))

    def when_written(self, release: Callable[[bool], None]) -> None:
        """Call `release(True)` once all is written, or `release(False)` when the wait is over."""
        self._after_write.append(release)
        self._dirty.set()

    def try_again(self) -> None:
        """Retry the rows that could not be written before."""
        if self.records.trouble is not None:
            self._dirty.set()

    async def write(self) -> None:
        """Write rows until cancelled, and release in time the actions that wait for them."""
        job: asyncio.Task[bool] | None = None
        while True:
            await self._dirty.wait()
            self._dirty.clear()
            due, self._after_write = self._after_write, []
            if job is not None:  # an earlier job without these rows, on a sleeping disk
                await asyncio.wait({job}, timeout=PATIENCE_S)
            written = False
            if job is None or job.done():
                job = asyncio.get_running_loop().create_task(self.records.flush(self._anchor()))
                job.add_done_callback(lambda _: self._dirty.set() if self._after_write else None)
                await asyncio.wait({job}, timeout=PATIENCE_S)
                written = job.done() and job.result()
            whole = self.mend()
            for release in due:
                release(written and whole)

    def mend(self) -> bool:
        """Write the whole running casting into a record that has moved to another file.

        False: this is not finished, and the rows written there so far are incomplete.
        """
        moved = self.records.moved
        if moved is None or moved == self._move_told:
            return True
        self._move_told = self._notices["record"] = moved
        state = self._running()
        if state is None:
            return True
        self.records.rewrite((state.run_id, state.plan), self._rows)
        self._dirty.set()
        return False

    async def close(self) -> None:
        """Write the remaining rows, and close the record."""
        await self.records.flush(self._anchor())
        await self.records.close()

    def _anchor(self) -> Anchor | None:
        return self._clock.anchor() if isinstance(self._clock, SystemClock) else None

    # --- telling ---------------------------------------------------------------------------------

    @property
    def watched(self) -> bool:
        """Whether anybody watches."""
        return bool(self._watchers)

    def publish(self, item: Published) -> None:
        """Give the item to all watchers."""
        for watcher in self._watchers:
            watcher.put(item)

    @contextlib.contextmanager
    def watcher(self) -> Iterator[Watcher]:
        """Yield a queue of everything published while the context lasts."""
        watcher = Watcher()
        self._watchers.add(watcher)
        try:
            yield watcher
        finally:
            self._watchers.discard(watcher)
