"""The supervisor's line to the board: sends orders one at a time, receives state and failures."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from evenwall.run.observation import Enable, Hold, Queue, RigAction, Stop
from evenwall.run.tasks import Tasks
from evenwall_bridge.contract import BridgeError, Clock, LinkLost, Ramp, Rig, RigState


@dataclass(frozen=True, slots=True)
class BoardSeen:
    """State of the board at a moment, and its actions since the previous moment."""

    rig: RigState | None
    lost: str = ""  # the reason in words while it does not answer
    parked: str = ""  # a park that has just ended: up or down
    failed: str = ""  # an order that has just failed, in words
    rejoin: bool = False  # the first moment after a restart, or after it was found again


class BoardFeed:
    """Gives orders to the rig and keeps the state that it reports. Lives on the event loop."""

    def __init__(
        self,
        rig: Rig,
        clock: Clock,
        tasks: Tasks,
        wake: Callable[[], None],
        *,
        grant_s: float,
        stale_s: float,
    ) -> None:
        """Connect to a rig.

        grant_s: time that the board may turn without hearing from us. stale_s: silence after which
        the board counts as lost. wake: called when something has happened.
        """
        self.rig, self._clock, self._tasks, self._wake = rig, clock, tasks, wake
        self._grant_s, self._stale_s = grant_s, stale_s
        self._orders: asyncio.Queue[RigAction] = asyncio.Queue()
        self.era = 0  # every stop or hold begins a new one; orders of an older one are void
        self._order: asyncio.Task[None] | None = None
        self._parked = self._failed = self._link_error = ""
        self._rejoin, self._was_lost = True, False
        self._lost_s = -math.inf  # when an order last found the link gone

    async def open(self) -> bool:
        """Open the rig and return whether it answers."""
        try:
            await self.rig.open()
        except BridgeError as error:
            self._link_error = str(error)
            return False
        self._link_error = ""
        return True

    async def hear(self) -> None:
        """Listen to the board until cancelled; wake at once when guard, mode or faults change."""
        while self._link_error:
            await self._clock.sleep(self._stale_s)
            await self.open()
        last: tuple[Any, ...] = ()
        async for row in self.rig.states():
            mark = (row.guard_closed, row.mode, row.faults)
            if mark != last:
                last = mark
                self._wake()

    async def obey(self) -> None:
        """Send the orders until cancelled, one at a time and in order."""
        while True:
            action = await self._orders.get()
            self._order = asyncio.get_running_loop().create_task(self._do(action))
            await asyncio.wait({self._order})

    def seen(self, now_s: float) -> BoardSeen:
        """Return the state known now; parks, failures and rejoining are reported once."""
        rig = self._state()
        lost = self._link_error
        if rig is not None:
            silent = now_s - rig.at_s > self._stale_s or rig.at_s <= self._lost_s
            lost = f"silent since {rig.at_s:.0f} s" if silent else ""
        self._rejoin = self._rejoin or (self._was_lost and not lost)
        self._was_lost = bool(lost)
        rejoin = self._rejoin and not lost
        self._rejoin = self._rejoin and not rejoin
        parked, self._parked = self._parked, ""
        failed, self._failed = self._failed, ""
        return BoardSeen(rig, lost, parked, failed, rejoin)

    def _state(self) -> RigState | None:
        try:
            return self.rig.state
        except LinkLost:
            return None

    def give(self, action: RigAction, era: int, written: bool) -> None:
        """Queue an order behind the others, unless a stop has come since `era`."""
        del written  # the frame is fed in any case
        if era == self.era:
            self._orders.put_nowait(action)

    def now(self, action: Stop | Hold) -> None:
        """Stop or hold before everything else, and void the orders that wait."""
        self._void()
        if self._order is not None:
            self._order.cancel()
        self._tasks.spawn(self._do(action))

    def _void(self) -> None:
        self.era += 1
        while not self._orders.empty():
            self._orders.get_nowait()

    async def _do(self, action: RigAction) -> None:
        try:
            if isinstance(action, Enable):
                await self.rig.enable(self._grant_s)
            elif isinstance(action, Queue):
                await self.rig.queue([Ramp(*ramp) for ramp in action.ramps])
            elif isinstance(action, Hold):
                await self.rig.hold()
            elif isinstance(action, Stop):
                await self.rig.stop()
            else:
                await self.rig.park(action.major_deg, action.minor_deg)
                self._parked = action.to
        except LinkLost:
            # The link counts as lost until a newer row comes. Then the board is asked which orders
            # it received.
            self._lost_s = self._clock.now_s()
            self._void()
        except BridgeError as error:
            self._failed = f"{type(action).__name__.lower()}: {error}"
            self._void()
        self._wake()
