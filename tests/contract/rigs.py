"""The rigs on which the contract suite runs, and the actions that a test may use on each."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenwall_bridge.build import avr_firmware
from evenwall_bridge.clock import LoopClock, SystemClock, run_virtual
from evenwall_bridge.contract import Clock, RigState
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.motion import FrameLimits
from evenwall_bridge.rig import FramedRig
from evenwall_bridge.serial_rig import SerialRig
from evenwall_bridge.sim_board import PtyBoard, VirtualBoard
from tests.firmware.simulator import ChipBoard, simulator

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

    async def enabled(self) -> FramedRig:
        """Another rig, open, its drivers on for a minute."""
        rig = self.another()
        await rig.open()
        await rig.enable(grant_s=60.0)
        return rig

    async def until(self, rig: FramedRig, met: Callable[[RigState], bool]) -> RigState:
        """Return the first state row that meets this, or fail clearly after ten simulated minutes,
        which allow for the pauses of a busy machine."""
        rows = rig.states()
        start_s = self.clock.now_s()
        state = rig.state
        while not met(state):
            state = await anext(rows)
            assert self.clock.now_s() - start_s < 600.0, f"still {state}"
        return state

    async def next_row(self, rig: FramedRig) -> RigState:
        """A row that left the board after now."""
        rows = rig.states()
        await anext(rows)
        return await anext(rows)


Work = Callable[[Bench], Coroutine[Any, Any, None]]
# Speeds of the programs over real time; the simulated chip has to keep up on a busy machine.
HOST_SPEED, CHIP_SPEED = 20.0, 8.0


async def _virtual(work: Work, make: Callable[[Clock], VirtualBoard]) -> None:
    clock = LoopClock()
    pins = make(clock)
    await work(Bench(clock, pins, lambda: HostRig(clock, LIMITS, board=pins)))


async def _pty(work: Work, speed: float, program: Path | None, image: Path | None) -> None:
    clock = SystemClock(speed)
    with PtyBoard(speed, program=program, image=image) as pins:
        await work(Bench(clock, pins, lambda: SerialRig(pins.port, clock, LIMITS, speed=speed)))


def host_library(work: Work) -> None:
    """The core in this process, in virtual time."""
    run_virtual(_virtual(work, VirtualBoard))


def host_program(work: Work) -> None:
    """The core as a program on a pseudo-terminal, through pyserial."""
    asyncio.run(_pty(work, HOST_SPEED, None, None))


def chip_library(work: Work) -> None:
    """The chip's binary in the cycle-accurate simulator, in virtual time."""
    run_virtual(_virtual(work, ChipBoard))


def chip_program(work: Work) -> None:
    """The chip's binary in the simulator, its UART on a pseudo-terminal, through pyserial."""
    asyncio.run(_pty(work, CHIP_SPEED, simulator().program, avr_firmware()))


RUNNERS = {r.__name__: r for r in (host_library, host_program, chip_library, chip_program)}
