"""The board's figures: pulses, load and memory of the chip, round trips, speed in virtual time.

The chip's figures come from its binary in a cycle-accurate simulator, so they are the same on
every machine; round trips and virtual-time speed are this machine's.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from time import perf_counter, process_time
from typing import NamedTuple

from evenwall_bridge import motion, wire
from evenwall_bridge.build import avr_firmware
from evenwall_bridge.clock import LoopClock, ManualClock, SystemClock, run_virtual
from evenwall_bridge.contract import LinkLost, Mode, Ramp
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.motion import FrameLimits, predict_steps, segments
from evenwall_bridge.serial_rig import SerialRig
from evenwall_bridge.sim_board import PtyBoard, VirtualBoard
from evenwall_bridge.wire import Frame, Kind
from tests.firmware.chip import (
    fast_frame,
    flood,
    interval_errors_cycles,
    memory,
    turning,
    unlike_rates,
)
from tests.firmware.simulator import ChipBoard
from tests.firmware.waiting import until

CYCLES_PER_US = 16


def quantile(values: list[float], part: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(part * len(ordered)))]


class Row(NamedTuple):
    """Interval errors of both axes, microseconds, and the processor's load while turning."""

    p50_us: float
    p999_us: float
    max_us: float
    late: int
    exact: bool
    load: float


def pulses(steps_s: int, loaded: bool, image: Path | None = None) -> Row:
    limits, ramps = fast_frame(steps_s), unlike_rates(steps_s, 1.8)

    async def work() -> Row:
        clock = LoopClock()
        board = ChipBoard(clock, image)
        rig = await turning(board, limits, ramps)
        if loaded:
            board.feed(flood(rig, 2.1))
        await clock.sleep(0.2)
        idle, at_s = board.count("idle_cycles"), clock.now_s()
        await clock.sleep(1.5)
        idle, at_s = board.count("idle_cycles") - idle, clock.now_s() - at_s
        state = await until(rig, lambda s: s.mode is Mode.HOLDING)
        major, minor = interval_errors_cycles(board, ramps, limits)
        errors = [cycles / CYCLES_PER_US for cycles in (*major, *minor)]
        exact = board.steps() == predict_steps(ramps, limits)
        await rig.close()
        return Row(
            quantile(errors, 0.5),
            quantile(errors, 0.999),
            max(errors),
            state.steps_late,
            exact,
            1.0 - idle / 16e6 / at_s,
        )

    return run_virtual(work())


def highest_clean() -> int:
    """Return the highest rate on both axes without a late pulse, in thousands of steps/s, for
    firmware without a rate limit."""
    limit, kept = 2_100_000_000, (motion.HARD_STEPS_S, motion.RATE_HARD_MAX)
    motion.HARD_STEPS_S, motion.RATE_HARD_MAX = 60_000, limit
    image = avr_firmware(f"-DRATE_HARD_MAX={limit}L")
    best = 0
    for steps_s in range(45_000, 60_000, 1_000):
        row = pulses(steps_s, loaded=True, image=image)
        if row.late or not row.exact:
            break
        best = steps_s
    motion.HARD_STEPS_S, motion.RATE_HARD_MAX = kept
    return best


def tell_memory() -> None:
    flash, data, free = memory()
    print(f"flash {flash} of 32768 bytes; RAM {data} of 2048 bytes")
    print(f"stack at its deepest {2048 - data - free} bytes, {free} bytes never touched")


def round_trips() -> None:
    async def work() -> None:
        with PtyBoard() as board:
            rig = SerialRig(board.port, SystemClock(), FrameLimits())
            await rig.open()
            took_ms = []
            for _ in range(2_000):
                start = perf_counter()
                await rig._command(Kind.KEEP, row_follows=False)
                took_ms.append(1e3 * (perf_counter() - start))
            await rig.close()
        print(
            f"round trip over the pseudo-terminal, 2000 commands: p50 {quantile(took_ms, 0.5):.3f} "
            f"ms, p99 {quantile(took_ms, 0.99):.3f} ms"
        )

    asyncio.run(work())

    clock = ManualClock()
    board = ChipBoard(clock)
    asker = Asker(board)

    def answered(kind: Kind, payload: bytes = b"") -> float:
        """Return the time from the command's first bit on the line to the answer's last, ms."""
        start_s = clock.now_s()
        asker.ask(kind, payload)
        reader = wire.FrameReader()
        while not any(f.kind in (Kind.REPLY, Kind.INFO) for f in reader.feed(board.read())):
            clock._now_s += 0.0001
            board.sync()
            if clock.now_s() - start_s > 1.0:
                raise LinkLost(f"{kind.name} was not answered")
        return 1e3 * (clock.now_s() - start_s)

    clock._now_s += 0.1  # the chip wakes
    board.sync()
    limits = FrameLimits()
    turning = segments([Ramp(1.0, 8.0, 4.0), Ramp(60.0, 8.0, 4.0)], limits)
    answered(Kind.HELLO, wire.hello_payload(24))
    answered(Kind.CONFIG, limits.config().pack())
    answered(Kind.ENABLE, wire.enable_payload(100_000))
    answered(Kind.QUEUE, wire.queue_payload(0, False, turning))
    chip_ms = []
    for _ in range(300):
        clock._now_s += 0.0137
        board.sync()
        board.read()
        chip_ms.append(answered(Kind.KEEP))
    print(
        f"the chip's own answer while turning, 300 commands, line time included: p50 "
        f"{quantile(chip_ms, 0.5):.2f} ms, p99 {quantile(chip_ms, 0.99):.2f} ms"
    )


class Asker:
    """Numbered commands of one session, sent directly over a board's wire."""

    SESSION = 77

    def __init__(self, board: VirtualBoard) -> None:
        self._board = board
        self._seq = 0

    def frame(self, kind: Kind, payload: bytes = b"") -> bytes:
        if kind is not Kind.HELLO:
            self._seq = (self._seq + 1) & 0xFFFF
        return wire.encode(Frame(kind, self.SESSION, self._seq, payload))

    def ask(self, kind: Kind, payload: bytes = b"") -> None:
        self._board.feed(self.frame(kind, payload))


def virtual_speed() -> None:
    """Hours of board time per second of this processor, a framed command 20 times a second."""
    limits, hours = FrameLimits(), 6.0
    clock = ManualClock()
    board = VirtualBoard(clock)
    asker = Asker(board)
    asker.ask(Kind.HELLO, wire.hello_payload(24))
    asker.ask(Kind.CONFIG, limits.config().pack())
    asker.ask(Kind.ENABLE, wire.enable_payload(100_000))
    ramps = [Ramp(30.0, 8.0 + i % 5, 3.0 - i % 4) for i in range(int(hours * 120) - 1)]
    ramps.append(Ramp(20.0, 0.0, 0.0))
    for number, part in enumerate(segments(ramps, limits)):
        asker.ask(Kind.QUEUE, wire.queue_payload(number, number + 1 < len(ramps), [part]))
    board.read()
    frames = [asker.frame(Kind.KEEP) for _ in range(int(hours * 3600 * 20))]
    start = process_time()
    for frame in frames:
        clock._now_s += 0.05
        board.sync()
        board.feed(frame)
        board.read()
    took_s = process_time() - start
    exact = board.steps() == predict_steps(ramps, limits)
    print(
        f"virtual time, a framed command 20 times a second: {hours / took_s:.1f} hours a processor "
        f"second ({len(frames)} commands, steps exact: {'yes' if exact else 'NO'})"
    )

    async def through_the_rig() -> float:
        rig = HostRig(LoopClock(), limits)
        await rig.open()
        await rig.enable(grant_s=600.0)
        await rig.queue([Ramp(1.0, 8.0, 4.0), Ramp(1800.0, 8.0, 4.0), Ramp(1.0, 0.0, 0.0)])
        await until(rig, lambda s: s.mode is Mode.HOLDING)
        await rig.close()
        return 0.5

    start = process_time()
    hours = run_virtual(through_the_rig())
    print(
        f"virtual time through the whole rig, a state row 10 times a second: "
        f"{hours / (process_time() - start):.2f} hours a processor second"
    )


def main() -> None:
    tell_memory()
    print(
        "\npulse intervals against the exact ones, both axes at once, microseconds\n"
        " steps/s  link      p50    p99.9      max  late  exact  processor"
    )
    for steps_s in (1_000, 5_000, 20_000, 40_000, 45_000):
        for loaded in (False, True):
            row = pulses(steps_s, loaded)
            print(
                f"{steps_s:>8} {'full' if loaded else 'idle':>5} {row.p50_us:>8.2f} "
                f"{row.p999_us:>8.2f} {row.max_us:>8.2f} {row.late:>5} "
                f"{'yes' if row.exact else 'NO':>6} {100 * row.load:>6.0f} %"
            )
    print(f"highest clean rate, that limit taken out, link full: {highest_clean()} steps/s")
    print(
        "published by others for this chip at 16 MHz: about 4000 steps/s (AccelStepper, class\n"
        "documentation); 50000 on one axis, 37000 on two (FastAccelStepper, README)\n"
    )
    round_trips()
    virtual_speed()


if __name__ == "__main__":
    main()
