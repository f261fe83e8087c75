"""Persistent link to the board: handshake, answers, state rows, and reconnection."""

from __future__ import annotations

import asyncio
import math
import os
import weakref
from collections.abc import Coroutine

from evenwall_bridge import motion, wire
from evenwall_bridge.board_state import WORDS, state_of
from evenwall_bridge.carrier import Carrier
from evenwall_bridge.contract import (
    BridgeError,
    Clock,
    LinkLost,
    Refused,
    RigState,
    VersionMismatch,
)
from evenwall_bridge.link import Answered, Event, Failed, Link, Lost, Row
from evenwall_bridge.motion import SLICE_S, FrameLimits
from evenwall_bridge.wire import Kind, Reply, StateRow, Status

_BACKLOG_ROWS = 1024
RETRY_LINK_S = 0.5
DEADLINE_S = 3.0


class StateRows:
    """Iterator over state rows from its creation on; unread rows are dropped, oldest first."""

    def __init__(self) -> None:
        self._rows: asyncio.Queue[RigState | None] = asyncio.Queue()

    def put(self, row: RigState | None) -> None:
        if self._rows.qsize() >= _BACKLOG_ROWS:
            self._rows.get_nowait()
        self._rows.put_nowait(row)

    def __aiter__(self) -> StateRows:
        return self

    async def __anext__(self) -> RigState:
        row = await self._rows.get()
        if row is None:
            self._rows.put_nowait(None)
            raise StopAsyncIteration
        return row


class KeptLink(Carrier):
    """Keeps a link over the carrier's bytes; after a loss it tries again until it is closed.

    Meanwhile every request raises LinkLost, and the newest row stays.
    """

    def __init__(self, clock: Clock, limits: FrameLimits, state_period_s: float) -> None:
        self._clock = clock
        self._limits = limits
        self._config = limits.config()
        self._state_slices = max(1, motion.slices_of(state_period_s))
        self._link: Link | None = None
        self._info: wire.Info | None = None
        self._row: StateRow | None = None
        self._state: RigState | None = None
        self._subscribers: weakref.WeakSet[StateRows] = weakref.WeakSet()
        self._answers: dict[int, asyncio.Future[Answered]] = {}
        self._lost: BridgeError | None = None
        self._closed = True
        self._opened = False  # the first handshake was good
        self._queue_lock = asyncio.Lock()
        self._drops = 0  # times the queue was dropped
        self._tasks: set[asyncio.Task[None]] = set()
        self._coming_back: asyncio.Task[None] | None = None
        self._up = False  # the link's handshake is done
        self._row_seq = 0  # the newest command that the newest row includes
        self._accepted = 0  # ramps the board took since the last enable
        self._fresh = asyncio.Event()  # a row of this link has come, or the link is lost
        self._grant_s: float | None = None
        self._last_session = 0
        self.round_trip_s: float | None = None

    def _newest(self) -> StateRow:
        if self._row is None:
            raise LinkLost("no state row has come yet")
        return self._row

    def _alive(self) -> Link:
        if self._lost is not None:
            raise self._lost
        if self._link is None or not self._up:
            raise LinkLost("the rig is closed" if self._closed else "the link is being made")
        return self._link

    async def _ask(self, token: int) -> Answered:
        future: asyncio.Future[Answered] = asyncio.get_running_loop().create_future()
        self._answers[token] = future
        try:
            self._flush()
            return await self._answer(future)
        finally:
            self._answers.pop(token, None)

    async def _answer(self, future: asyncio.Future[Answered]) -> Answered:
        return await future

    def _flush(self) -> None:
        link = self._link
        if link is not None:
            data = link.outgoing()
            if data:
                self._write(data)

    def _incoming(self, data: bytes) -> None:
        link = self._link
        if link is not None:
            self._handle(link.received(data, self._now_s()))
            self._flush()

    def _tick(self) -> None:
        link = self._link
        if link is not None:
            self._handle(link.tick(self._now_s()))
            self._flush()

    def _handle(self, events: list[Event]) -> None:
        for event in events:
            if isinstance(event, Row):
                self._take_row(event)
            elif isinstance(event, Answered):
                if event.tries == 1:
                    self.round_trip_s = event.took_s
                self._resolve(event.token, event, None)
            elif isinstance(event, Failed):
                self._resolve(event.token, None, event.error)
            else:
                self._link_lost(event)

    def _resolve(self, token: int, answer: Answered | None, error: BridgeError | None) -> None:
        future = self._answers.pop(token, None)
        if future is None or future.done():
            return
        if error is not None:
            future.set_exception(error)
        elif answer is not None:
            future.set_result(answer)

    def _keep_s(self) -> float:
        if self._grant_s is None:
            return self._keep_default_s
        return min(self._keep_default_s, self._grant_s / self._speed / 4.0)

    def _take_row(self, event: Row) -> None:
        row = event.row
        self._arrived(row)
        self._row_seq = event.seq
        self._row = row
        self._accepted = row.accepted
        # The alignment may improve and find its last answer too late; time still never goes back.
        before_s = self._state.at_s if self._state else -math.inf
        self._state = state_of(row, self._limits, max(self._host_s(row.slice), before_s))
        self._fresh.set()
        if self._up:
            self._publish()

    def _publish(self) -> None:
        for rows in list(self._subscribers):
            rows.put(self._state)

    def _link_lost(self, event: Lost) -> None:
        self._link = None
        self._up = False
        self._lost = event.error
        self._fresh.set()
        self._disconnect()
        # Wake all tasks that wait for a row, so that they find that the link is gone.
        if self._state is not None:
            self._publish()
        if self._closed or not self._opened or isinstance(event.error, VersionMismatch):
            return
        if self._coming_back is None or self._coming_back.done():
            self._coming_back = self._spawn(self._come_back())

    def _end(self, error: BridgeError) -> None:
        if self._link is not None:
            self._handle(self._link.end(error))

    async def _begin(self) -> None:
        """Connect, handshake, limits; never moves, never stops a turning frame."""
        self._connect()
        # Never reuse the previous session: its late frames must not pass for ours.
        session = self._last_session
        while session in (0, self._last_session):
            session = int.from_bytes(os.urandom(2), "little")
        self._last_session = session
        rows_apart_s = self._state_slices * SLICE_S / self._speed
        self._link = link = Link(
            session, keep_s=self._keep_s(), deadline_s=max(DEADLINE_S, 4.0 * rows_apart_s)
        )
        self._lost = None
        self._fresh.clear()
        self._begun()
        info = (await self._ask(link.hello(self._state_slices, self._now_s()))).answer
        if not isinstance(info, wire.Info):
            raise LinkLost(f"the board refused the handshake: status {info.status}")
        if info.config != self._config or not info.configured:
            await self._configure(link)
        self._info = info
        await self._fresh.wait()
        if self._lost is not None:
            raise self._lost
        self._up = True
        self._publish()  # tasks that wait for a row may give commands from now on

    async def _configure(self, link: Link) -> None:
        token = link.send(Kind.CONFIG, self._config.pack(), self._now_s())
        reply = (await self._ask(token)).answer
        if isinstance(reply, Reply) and reply.status == Status.MODE:
            raise Refused(
                "the frame is turning with limits that differ from this rig file's: stop it "
                "before you change the rig file"
            )
        if not isinstance(reply, Reply) or reply.status != Status.OK:
            raise Refused(WORDS[Status.CONFIG])

    def _spawn(self, work: Coroutine[None, None, None]) -> asyncio.Task[None]:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _come_back(self) -> None:
        while not self._closed and self._link is None:
            await self._pause(RETRY_LINK_S)
            try:
                await self._begin()
            except VersionMismatch as error:
                self._end(error)
                return
            except BridgeError as error:
                # After such an error nothing moves; every command raises it until its cause is
                # gone.
                self._end(error)
                self._lost = error
