"""Rig with the firmware in this process, in the clock's time: for tests and virtual time."""

from __future__ import annotations

import asyncio

from evenwall_bridge.contract import Clock
from evenwall_bridge.link import Answered
from evenwall_bridge.motion import SLICE_S, FrameLimits
from evenwall_bridge.rig import FramedRig
from evenwall_bridge.sim_board import VirtualBoard
from evenwall_bridge.wire import StateRow

# Time step while an answer is awaited from a board that takes time to give it.
_ANSWER_STEP_S = 0.002


class HostRig(FramedRig):
    """Meets `contract.Rig`; works under any clock: system, virtual or manual.

    clock: the board lives in its time. limits: the frame. board: share one to play a controller
    that restarts beside a board that does not. `pins` is the electrical side.
    """

    _keep_default_s = 2.0

    def __init__(
        self,
        clock: Clock,
        limits: FrameLimits | None = None,
        board: VirtualBoard | None = None,
        state_period_s: float = 0.1,
    ) -> None:
        super().__init__(clock, limits or FrameLimits(), state_period_s)
        self.pins = board or VirtualBoard(clock)
        self._step_s = state_period_s
        self._woke_s: float | None = None  # the board's slice 0 on the clock

    def _connect(self) -> None:
        self.pins.sync()
        self.pins.read()  # rows that nobody has heard
        self._spawn(self._live())

    def _disconnect(self) -> None:
        pass

    def _write(self, data: bytes) -> None:
        self.pins.sync()
        self.pins.feed(data)
        self._pump()

    def _now_s(self) -> float:
        return self._clock.now_s()

    async def _pause(self, duration_s: float) -> None:
        await self._clock.sleep(duration_s)

    def _begun(self) -> None:
        self._woke_s = None  # the board may have restarted since

    def _arrived(self, row: StateRow) -> None:
        if self._woke_s is None:
            self._woke_s = self._clock.now_s() - row.slice * SLICE_S

    def _host_s(self, slice_number: int) -> float:
        return (self._woke_s or 0.0) + slice_number * SLICE_S

    def _pump(self) -> None:
        data = self.pins.read()
        if data:
            self._incoming(data)

    async def _answer(self, future: asyncio.Future[Answered]) -> Answered:
        while not future.done():
            await self._clock.sleep(_ANSWER_STEP_S)
            self._step()
        return future.result()

    def _step(self) -> None:
        self.pins.sync()
        self._pump()
        self._tick()

    async def _live(self) -> None:
        link = self._link
        while self._link is link or self._link is None:
            await self._clock.sleep(self._step_s)
            self._step()
