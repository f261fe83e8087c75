"""A rig spoken to in frames, whatever carries them: the part that board and host build share."""

from __future__ import annotations

import asyncio
import math
import os
import weakref
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence

from evenwall_bridge import motion, wire
from evenwall_bridge.contract import (
    AxisState,
    BridgeError,
    Clock,
    Fault,
    LinkLost,
    Mode,
    Ramp,
    Refused,
    RigFault,
    RigInfo,
    RigState,
    VersionMismatch,
)
from evenwall_bridge.link import Answered, Event, Failed, Link, Lost, Row
from evenwall_bridge.motion import SLICE_S, FrameLimits
from evenwall_bridge.wire import Kind, Reply, Segment, StateRow, Status

_MODES = (Mode.DISABLED, Mode.HOLDING, Mode.TURNING, Mode.STOPPING)
# In the order of the bits on the wire.
_FAULTS = (
    Fault.GUARD_OPEN,
    Fault.DRIVER_MAJOR,
    Fault.DRIVER_MINOR,
    Fault.SLIP_MAJOR,
    Fault.SLIP_MINOR,
    Fault.HOST_SILENT,
    Fault.QUEUE_DRY,
    Fault.BROWN_OUT,
    Fault.WATCHDOG,
)
# Those that end a motion; the others are told and the frame turns on.
ENDING_FAULTS = (Fault.GUARD_OPEN, Fault.DRIVER_MAJOR, Fault.DRIVER_MINOR, Fault.HOST_SILENT)
_GUARD_CLOSED, _COASTING, _INDEXED = 0x01, 0x02, (0x04, 0x08)
_WORDS = {
    Status.GUARD: "the guard is open",
    Status.DRIVER: "a motor driver reports a fault",
    Status.RATE: "a ramp is over the board's rate limit",
    Status.ACCEL: "a ramp is over the board's acceleration limit",
    Status.CONFIG: "the board does not take these limits",
    Status.GRANT: f"grant_s must be over 0 and at most {motion.GRANT_S_MAX:.0f} s",
    Status.LENGTH: "the board does not understand the command's length",
    Status.TYPE: "the board does not know this command",
    Status.ORDINAL: "the queue was dropped meanwhile",
}
_BACKLOG_ROWS = 1024
RETRY_LINK_S = 0.5
DEADLINE_S = 3.0


class StateRows:
    """An iterator over state rows from its making on; the oldest go when nobody takes them."""

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


class FramedRig:
    """Meets `contract.Rig` over a byte stream. Subclasses carry the bytes and the time.

    After a lost link it keeps trying to come back until closed; meanwhile every command raises
    LinkLost, and `state` keeps the last row. A board that restarted comes back disabled: nothing
    moves until `enable`.
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
        self._row_seq = 0  # the newest command that the newest row tells of
        self._accepted = 0  # ramps the board took since the last enable
        self._fresh = asyncio.Event()  # a row of this link has come, or the link is lost
        self._grant_s: float | None = None
        self._last_session = 0
        self.round_trip_s: float | None = None

    # What a subclass gives -----------------------------------------------------------------

    _speed = 1.0  # board seconds per second of the link's own time
    _keep_default_s = 0.25

    def _connect(self) -> None:
        """Get hold of the bytes. Raises LinkLost."""
        raise NotImplementedError

    def _disconnect(self) -> None:
        raise NotImplementedError

    def _write(self, data: bytes) -> None:
        """Take these bytes; `_incoming` is called with what comes back."""
        raise NotImplementedError

    def _now_s(self) -> float:
        """The link's own time, in which its deadlines are."""
        raise NotImplementedError

    async def _pause(self, duration_s: float) -> None:
        """Wait in the link's own time."""
        raise NotImplementedError

    def _host_s(self, slice_number: int) -> float:
        """A moment of the board on the host's clock."""
        raise NotImplementedError

    def _arrived(self, row: StateRow) -> None:
        """A state row came just now."""

    def _begun(self) -> None:
        """A new link begins: what was known of the board's clock may be wrong."""

    # contract.Rig ---------------------------------------------------------------------------

    @property
    def info(self) -> RigInfo:
        if self._info is None:
            raise LinkLost("no board has answered yet: open the rig first")
        return RigInfo(
            firmware=self._info.firmware,
            protocol=self._info.protocol,
            simulated=self._info.simulated,
            steps_per_turn_major=self._limits.steps_per_turn_major,
            steps_per_turn_minor=self._limits.steps_per_turn_minor,
            rate_limit_rpm=self._limits.rate_limit_rpm,
            accel_limit_rpm_s=self._limits.accel_limit_rpm_s,
            queue_capacity_ramps=self._info.queue_capacity,
        )

    @property
    def state(self) -> RigState:
        if self._state is None:
            raise LinkLost("no state row has come yet: open the rig first")
        return self._state

    async def open(self) -> None:
        if not self._closed:
            self._alive()
            return
        self._closed = False
        try:
            await self._begin()
            self._opened = True
        finally:
            if not self._opened:
                await self.close()

    async def close(self) -> None:
        self._closed = True
        self._opened = False
        self._end(LinkLost("the rig is closed"))
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for rows in list(self._subscribers):
            rows.put(None)
        self._subscribers.clear()

    async def enable(self, grant_s: float) -> None:
        if not SLICE_S <= grant_s <= motion.GRANT_S_MAX:
            raise Refused(
                f"grant_s is {grant_s} s: must be over 0 and at most {motion.GRANT_S_MAX:.0f} s"
            )
        await self._standing()
        self._drops += 1
        self._grant_s = grant_s
        self._alive().keep_s = self._keep_s()
        await self._command(Kind.ENABLE, wire.enable_payload(motion.slices_of(grant_s)))

    async def queue(self, ramps: Sequence[Ramp]) -> None:
        async with self._queue_lock:
            await self._standing()
            self._ready()
            row = self._newest()
            await self._append(motion.segments(ramps, self._limits, row.tail_rate))

    async def hold(self) -> None:
        self._drops += 1
        await self._command(Kind.HOLD)

    async def stop(self) -> None:
        self._drops += 1
        await self._command(Kind.STOP)

    async def park(self, major_deg: float, minor_deg: float) -> None:
        await self.hold()
        drops = self._drops
        async with self._queue_lock:
            state = await self._until(lambda s: s.mode in (Mode.HOLDING, Mode.DISABLED))
            self._ready()
            ways = (
                _short_way(state.major.angle_deg, major_deg, self._limits.steps_per_turn_major),
                _short_way(state.minor.angle_deg, minor_deg, self._limits.steps_per_turn_minor),
            )
            parts = motion.move(ways, self._limits)
            if not parts:
                return
            goal = self._newest().ramps_done + len(parts)
            await self._append(parts)
        await self._until(
            lambda s: s.ramps_done >= goal or s.mode is not Mode.TURNING or self._drops != drops
        )
        if self._newest().ramps_done < goal:
            if self._drops == drops:
                self._ready()
            raise Refused("parking was ended by another command")

    def states(self) -> AsyncIterator[RigState]:
        rows = StateRows()
        if self._closed:
            rows.put(None)
        else:
            self._subscribers.add(rows)
        return rows

    # Behind it ------------------------------------------------------------------------------

    def _newest(self) -> StateRow:
        if self._row is None:
            raise LinkLost("no state row has come yet")
        return self._row

    def _ready(self) -> None:
        """Raises unless the board takes ramps."""
        state = self.state
        if state.mode in (Mode.HOLDING, Mode.TURNING):
            return
        for fault in ENDING_FAULTS:
            if fault in state.faults:
                raise RigFault(fault)
        raise Refused(f"the frame is {state.mode.value}: enable it first")

    async def _standing(self) -> None:
        """Wait out a ramp to rest."""
        await self._until(lambda s: s.mode is not Mode.STOPPING)

    async def _until(self, met: Callable[[RigState], bool]) -> RigState:
        """The first row, the newest known included, that meets this. Raises LinkLost."""
        rows = self.states()
        state = self.state
        while not met(state):
            self._alive()
            try:
                state = await anext(rows)
            except StopAsyncIteration:
                raise LinkLost("the rig is closed") from None
        return state

    def _alive(self) -> Link:
        if self._lost is not None:
            raise self._lost
        if self._link is None or not self._up:
            raise LinkLost("the rig is closed" if self._closed else "the link is being made")
        return self._link

    async def _append(self, parts: Sequence[Segment]) -> None:
        drops = self._drops
        room = self._free(self._newest())
        at = 0
        while at < len(parts):
            if self._drops != drops:  # the rest must not begin a motion of its own
                raise Refused(_WORDS[Status.ORDINAL])
            if room <= 0:
                room = await self._room(drops)
                continue
            chunk = parts[at : at + min(wire.RAMPS_PER_FRAME, room)]
            # From rest nothing turns before the whole list is there, or the queue is full.
            more = at + len(chunk) < len(parts) and room > len(chunk)
            reply = await self._command(
                Kind.QUEUE, wire.queue_payload(self._accepted, more, chunk), row_follows=not more
            )
            if reply.status == Status.OK:
                at += len(chunk)
            room = reply.room

    async def _room(self, drops: int) -> int:
        """Wait until the queue takes at least one ramp more."""
        await self._until(
            lambda s: (
                self._free(self._newest()) > 0
                or s.mode not in (Mode.HOLDING, Mode.TURNING)
                or self._drops != drops
            )
        )
        if self._drops == drops:
            self._ready()
        return self._free(self._newest())

    def _free(self, row: StateRow) -> int:
        """Ramps the queue takes at least."""
        return self.info.queue_capacity_ramps - (self._accepted - row.ramps_done)

    async def _row_since(self, seq: int) -> None:
        """Wait until `state` tells of this command. The board tells it before it answers, so there
        is something to wait for only when that row got lost."""
        await self._until(lambda _: (self._row_seq - seq) & 0xFFFF < 0x8000)

    async def _command(self, kind: Kind, payload: bytes = b"", row_follows: bool = True) -> Reply:
        answered = await self._ask(self._alive().send(kind, payload, self._now_s()))
        reply = answered.answer
        if not isinstance(reply, Reply):
            raise LinkLost(f"the board answered {kind.name} with something else")
        self._accepted = reply.accepted
        if reply.status == Status.OK:
            if row_follows:
                await self._row_since(answered.seq)
            return reply
        if reply.status == Status.FULL and kind is Kind.QUEUE:
            return reply
        if reply.status == Status.MODE:
            self._ready()
            raise Refused(f"the frame is {self.state.mode.value}: {kind.name.lower()} refused")
        raise Refused(_WORDS.get(Status(reply.status), f"status {reply.status}"))

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
        self._state = self._read(row)
        self._fresh.set()
        if self._up:
            self._publish()

    def _publish(self) -> None:
        for rows in list(self._subscribers):
            rows.put(self._state)

    def _read(self, row: StateRow) -> RigState:
        axes = []
        for axis, turn in enumerate(self._limits.steps_per_turn):
            indexed = bool(row.flags & _INDEXED[axis])
            since = row.steps[axis] - (row.index_steps[axis] if indexed else 0)
            axes.append(
                AxisState(
                    steps=row.steps[axis],
                    rate_rpm=motion.rpm_of(row.rate[axis], turn),
                    angle_deg=since % turn / turn * 360.0,
                    indexed=indexed,
                )
            )
        return RigState(
            # The alignment learns, and may find its last answer late: time still never goes back.
            at_s=max(self._host_s(row.slice), self._state.at_s if self._state else -math.inf),
            mode=_MODES[row.mode],
            major=axes[0],
            minor=axes[1],
            guard_closed=bool(row.flags & _GUARD_CLOSED),
            faults=frozenset(f for bit, f in enumerate(_FAULTS) if row.faults >> bit & 1),
            queue_s=row.queue_slices * SLICE_S,
            ramps_done=row.ramps_done,
            coasting=bool(row.flags & _COASTING),
            frames_bad=row.frames_bad,
            steps_late=row.steps_late,
            queue_low_s=row.queue_low_slices * SLICE_S,
            ramps_accepted=row.accepted,
        )

    def _link_lost(self, event: Lost) -> None:
        self._link = None
        self._up = False
        self._lost = event.error
        self._fresh.set()
        self._disconnect()
        # Let everyone who waits for a row look again and find that the link is gone.
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
        # Never the session before: its late frames must not pass for ours.
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
            raise LinkLost(f"the board does not take our handshake: status {info.status}")
        if info.config != self._config or not info.configured:
            await self._configure(link)
        self._info = info
        await self._fresh.wait()
        if self._lost is not None:
            raise self._lost
        self._up = True
        self._publish()  # who waits for a row may give commands from now on

    async def _configure(self, link: Link) -> None:
        token = link.send(Kind.CONFIG, self._config.pack(), self._now_s())
        reply = (await self._ask(token)).answer
        if isinstance(reply, Reply) and reply.status == Status.MODE:
            raise Refused(
                "the frame is under way with other limits than this rig file's: "
                "stop it before you change the rig file"
            )
        if not isinstance(reply, Reply) or reply.status != Status.OK:
            raise Refused(_WORDS[Status.CONFIG])

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
                # Whatever it was, nothing moves; say so to every command until it is gone.
                self._end(error)
                self._lost = error


def _short_way(from_deg: float, to_deg: float, steps_per_turn: int) -> int:
    """Steps of the short way between two angles; half a turn goes forward."""
    turn = round((to_deg - from_deg) / 360.0 * steps_per_turn) % steps_per_turn
    return turn if turn <= steps_per_turn // 2 else turn - steps_per_turn
