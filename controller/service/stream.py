"""Stream of rows and snapshots for every listener: without a gap, each row made once."""

from __future__ import annotations

from collections import deque
from collections.abc import AsyncIterator

from evenwall.model import Event, Sample, Snapshot, StreamItem
from evenwall.records.rows import row_id
from evenwall.service.port import RunPort

TOLD_KEPT = 16  # rows kept for listeners that are slightly behind
_PAGE = 2000


class Stream:
    """Yields rows and snapshots to any number of listeners."""

    def __init__(self, run: RunPort) -> None:
        self._run = run
        self._told: deque[tuple[object, StreamItem]] = deque(maxlen=TOLD_KEPT)

    async def watch(self, after_id: int | None) -> AsyncIterator[StreamItem]:
        """Yield rows and snapshots as they are made; with `after_id`, the missed rows first."""
        with self._run.watcher() as watcher:
            last_id = after_id
            if last_id is None:
                last_id = self._run.last_id
            else:
                async for item in self._missed(last_id):
                    last_id = item.item_id
                    yield item
            yield _stream_item(self._run.snapshot())
            while True:
                row = await watcher.items.get()
                if watcher.missed:
                    watcher.missed = False
                    async for item in self._missed(last_id):
                        last_id = item.item_id
                        yield item
                item = self._told_to_all(row)
                if not isinstance(row, Snapshot):
                    if item.item_id <= last_id:
                        continue
                    last_id = item.item_id
                yield item

    def _told_to_all(self, row: Event | Sample | Snapshot) -> StreamItem:
        """Return a row in the form that is sent, made once for all listeners."""
        for known, item in self._told:
            if known is row:
                return item
        item = _stream_item(row)
        self._told.append((row, item))
        return item

    async def _missed(self, after_id: int) -> AsyncIterator[StreamItem]:
        while True:
            rows = await self._run.records.items(after_id, _PAGE)
            for row in rows:
                yield _stream_item(row)
            if len(rows) < _PAGE:
                return
            after_id = row_id(rows[-1])


def _stream_item(row: Event | Sample | Snapshot) -> StreamItem:
    if isinstance(row, Snapshot):
        return StreamItem(
            item_id=row.last_event_id, kind="snapshot", data=row.model_dump(mode="json")
        )
    kind = "event" if isinstance(row, Event) else "sample"
    return StreamItem(item_id=row_id(row), kind=kind, data=row.model_dump(mode="json"))
