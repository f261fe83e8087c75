"""Rig that uses frames over any carrier: the part shared by board and host build."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence

from evenwall_bridge import motion, wire
from evenwall_bridge.board_state import ENDING_FAULTS, WORDS
from evenwall_bridge.contract import (
    LinkLost,
    Mode,
    Ramp,
    Refused,
    RigFault,
    RigInfo,
    RigState,
)
from evenwall_bridge.kept_link import KeptLink, StateRows
from evenwall_bridge.motion import SLICE_S
from evenwall_bridge.wire import Kind, Reply, Segment, StateRow, Status


class FramedRig(KeptLink):
    """Implements `contract.Rig` over a byte stream. Subclasses carry the bytes and the time.

    A board that restarted comes back disabled: nothing moves until `enable`.
    """

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

    def _ready(self) -> None:
        """Raise unless the board accepts ramps."""
        state = self.state
        if state.mode in (Mode.HOLDING, Mode.TURNING):
            return
        for fault in ENDING_FAULTS:
            if fault in state.faults:
                raise RigFault(fault)
        raise Refused(f"the frame is {state.mode.value}: enable it first")

    async def _standing(self) -> None:
        """Wait until a ramp to rest has ended."""
        await self._until(lambda s: s.mode is not Mode.STOPPING)

    async def _until(self, met: Callable[[RigState], bool]) -> RigState:
        """Return the first row that meets this condition, beginning with the newest known. Raises
        LinkLost."""
        rows = self.states()
        state = self.state
        while not met(state):
            self._alive()
            try:
                state = await anext(rows)
            except StopAsyncIteration:
                raise LinkLost("the rig is closed") from None
        return state

    async def _append(self, parts: Sequence[Segment]) -> None:
        drops = self._drops
        room = self._free(self._newest())
        at = 0
        while at < len(parts):
            if self._drops != drops:  # the remaining ramps must not begin a new motion
                raise Refused(WORDS[Status.ORDINAL])
            if room <= 0:
                room = await self._room(drops)
                continue
            chunk = parts[at : at + min(wire.RAMPS_PER_FRAME, room)]
            # From rest nothing turns before the whole list has arrived or the queue is full.
            more = at + len(chunk) < len(parts) and room > len(chunk)
            reply = await self._command(
                Kind.QUEUE, wire.queue_payload(self._accepted, more, chunk), row_follows=not more
            )
            if reply.status == Status.OK:
                at += len(chunk)
            room = reply.room

    async def _room(self, drops: int) -> int:
        """Wait until the queue has room for at least one more ramp."""
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
        """Return how many more ramps the queue has room for at least."""
        return self.info.queue_capacity_ramps - (self._accepted - row.ramps_done)

    async def _row_since(self, seq: int) -> None:
        """Wait until `state` includes this command.

        The board sends this row before its answer, so a wait is needed only if the row was lost.
        """
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
        raise Refused(WORDS.get(Status(reply.status), f"status {reply.status}"))


def _short_way(from_deg: float, to_deg: float, steps_per_turn: int) -> int:
    """Steps of the short way between two angles; half a turn goes forward."""
    turn = round((to_deg - from_deg) / 360.0 * steps_per_turn) % steps_per_turn
    return turn if turn <= steps_per_turn // 2 else turn - steps_per_turn
