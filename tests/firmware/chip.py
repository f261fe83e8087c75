"""The chip's binary at work on a fast frame, for the tests and the bench of it."""

from __future__ import annotations

import itertools
import re
import subprocess
from collections.abc import Sequence
from typing import NamedTuple

from evenwall_bridge import wire
from evenwall_bridge.build import avr_firmware, compiler
from evenwall_bridge.clock import LoopClock, run_virtual
from evenwall_bridge.contract import Ramp
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.motion import FrameLimits, segments
from evenwall_bridge.wire import Frame, Kind

from .pulses import due_cycles
from .simulator import ChipBoard

STEPS_PER_TURN = 16_000


def fast_frame(steps_s: float) -> FrameLimits:
    return FrameLimits(
        steps_per_turn_major=STEPS_PER_TURN,
        steps_per_turn_minor=STEPS_PER_TURN,
        rate_limit_rpm=steps_s * 60.0 / STEPS_PER_TURN,
        accel_limit_rpm_s=2_000.0,
        park_rate_rpm=1.0,
    )


WIRE_BYTES_S = 250_000 // 10


def flood(rig: HostRig, duration_s: float) -> bytes:
    """Commands of this very session, back to back, as many as the line takes."""
    link = rig._link
    assert link is not None
    frames = bytearray()
    while len(frames) < duration_s * WIRE_BYTES_S:
        link._seq = (link._seq + 1) & 0xFFFF
        frames += wire.encode(Frame(Kind.KEEP, link.session, link._seq, b""))
    return bytes(frames)


async def turning(
    board: ChipBoard, limits: FrameLimits, ramps: Sequence[Ramp], state_period_s: float = 0.1
) -> HostRig:
    """A rig on the board, open, its drivers on and the ramps in its queue."""
    rig = HostRig(LoopClock(), limits, board=board, state_period_s=state_period_s)
    await rig.open()
    await rig.enable(grant_s=60.0)
    await rig.queue(ramps)
    return rig


def unlike_rates(steps_s: int, steady_s: float) -> list[Ramp]:
    """Both axes at their fastest, one 2 % slower: else they would meet each other always at the
    same place."""
    rate_rpm = steps_s * 60.0 / STEPS_PER_TURN
    return [
        Ramp(0.1, rate_rpm, -0.98 * rate_rpm),
        Ramp(steady_s, rate_rpm, -0.98 * rate_rpm),
        Ramp(0.1, 0.0, 0.0),
    ]


def interval_errors_cycles(
    board: ChipBoard, ramps: Sequence[Ramp], limits: FrameLimits
) -> tuple[list[int], ...]:
    """Return the sorted errors of the intervals between pulses, of major and minor."""
    return tuple(
        sorted(
            abs((b - a) - (v - u))
            for (a, b), (u, v) in zip(
                itertools.pairwise(board.edges(name)),
                itertools.pairwise(due_cycles(segments(ramps, limits), axis)),
                strict=True,
            )
        )
        for axis, name in enumerate(("major", "minor"))
    )


class Memory(NamedTuple):
    """Use of the chip's 32768 bytes of flash and 2048 bytes of RAM."""

    flash_bytes: int
    data_bytes: int
    stack_free_bytes: int  # between the data and the deepest stack


def memory() -> Memory:
    """As linked, and as the stack was found after the queue was full and the link at full load."""
    out = subprocess.run(
        [compiler("avr-size", "binutils-avr"), "-A", str(avr_firmware())],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    of = {name: int(n) for name, n in re.findall(r"^\.(\w+)\s+(\d+)", out, re.MULTILINE)}

    async def free_bytes() -> int:
        board = ChipBoard(LoopClock())
        ramps = [Ramp(0.05 + 0.001 * i, 80.0 + i, -80.0) for i in range(64)]
        rig = await turning(board, fast_frame(40_000), ramps)
        board.feed(flood(rig, 1.0))
        await LoopClock().sleep(1.0)
        free = board.count("stack_free")
        await rig.close()
        return free

    data = of["data"] + of["bss"] + of.get("noinit", 0)
    return Memory(of["text"] + of["data"], data, run_virtual(free_bytes()))
