"""The rigs that one contract suite runs over, and what a test may do to each."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any

from firmware_bridge.clock import LoopClock, SystemClock, run_virtual
from firmware_bridge.contract import Clock, RigState
from firmware_bridge.host_rig import HostRig
from firmware_bridge.motion import FrameLimits
from firmware_bridge.rig import FramedRig
from firmware_bridge.serial_rig import SerialRig
from firmware_bridge.sim_board import PtyBoard, VirtualBoard

LIMITS = FrameLimits(
    steps_per_turn_major=3200,
    steps_per_turn_minor=1600,
    rate_limit_rpm=30.0,
    accel_limit_rpm_s=20.0,
    park_rate_rpm=15.0,
)
Pins = VirtualBoard | PtyBoard


@dataclass
class Bench:
    """One board on the bench: a rig on it, more rigs on demand, its pins, its clock."""

    clock: Clock
    pins: Pins
    another: Callable[[], FramedRig]

    async def until(self, rig: FramedRig, met: Callable[[RigState], bool]) -> RigState:
        """The first state row that meets this; a clear failure after a simulated minute."""
        rows = rig.states()
        start_s = self.clock.now_s()
        state = rig.state
        while not met(state):
            state = await anext(rows)
            assert self.clock.now_s() - start_s < 60.0, f"still {state}"
        return state

    async def next_row(self, rig: FramedRig) -> RigState:
        """A row that left the board after now."""
        rows = rig.states()
        await anext(rows)
        return await anext(rows)


async def _virtual(work: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    clock = LoopClock()
    pins = VirtualBoard(clock)
    await work(Bench(clock, pins, lambda: HostRig(clock, LIMITS, board=pins)))


PTY_SPEED = 20.0


async def _pty(work: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    clock = SystemClock(PTY_SPEED)
    with PtyBoard(PTY_SPEED) as pins:
        await work(Bench(clock, pins, lambda: SerialRig(pins.port, clock, LIMITS, speed=PTY_SPEED)))


def run_host_library(work: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    run_virtual(_virtual(work))


def run_host_pty(work: Callable[[Bench], Coroutine[Any, Any, None]]) -> None:
    asyncio.run(_pty(work))


RUNNERS = {"host_library": run_host_library, "host_pty": run_host_pty}
