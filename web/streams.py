"""Limits of the open streams, and the text that they share."""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

from evenwall.model import StreamItem
from evenwall_bridge.contract import Clock
from evenwall_web.limiter import Limiter

STREAMS_PER_HOLDER = 4  # of a paired phone, or of an address; a page holds one
STREAMS_IN_ALL = 24  # each costs a turn of the event loop with every sample
TEXTS_KEPT = 16


class Streams:
    """Open streams by holder. If there are too many, the holder with the most loses its oldest.

    So a page that is opened again is always served, and a flood ends its own streams.
    """

    def __init__(self, clock: Clock) -> None:
        self._openings = Limiter(clock, burst=100, per_s=1)
        self._of_strangers = Limiter(clock, burst=100, per_s=4)
        self._open: dict[str, list[asyncio.Event]] = {}
        self._texts: deque[tuple[StreamItem, str]] = deque(maxlen=TEXTS_KEPT)

    def __len__(self) -> int:
        return sum(len(held) for held in self._open.values())

    def may_open(self, holder: str, *, paired: bool) -> bool:
        """Whether this holder may begin another stream now; a page reopens one in 4.5 s at most."""
        return self._openings.allow(holder) and (paired or self._of_strangers.allow(""))

    @contextmanager
    def one(self, holder: str) -> Iterator[asyncio.Event]:
        """Hold a stream until the block ends; the event is set when it must end earlier."""
        over = asyncio.Event()
        if len(self._open.get(holder, ())) >= STREAMS_PER_HOLDER:
            self._end_oldest_of(holder)
        elif len(self) >= STREAMS_IN_ALL:
            self._end_oldest_of(max(self._open, key=lambda name: len(self._open[name])))
        self._open.setdefault(holder, []).append(over)
        try:
            yield over
        finally:
            self._forget(holder, over)

    def _end_oldest_of(self, holder: str) -> None:
        oldest = self._open[holder][0]
        self._forget(holder, oldest)
        oldest.set()

    def _forget(self, holder: str, over: asyncio.Event) -> None:
        held = self._open.get(holder, [])
        if over in held:
            held.remove(over)
        if not held:
            self._open.pop(holder, None)

    def text(self, item: StreamItem) -> str:
        """Return an item's data as JSON, made once for all listeners."""
        for known, text in self._texts:
            if known is item:
                return text
        text = json.dumps(item.data)
        self._texts.append((item, text))
        return text
