"""The chip's binary in a cycle-accurate simulator: pulses, start, watchdog, memory."""

from __future__ import annotations

import pytest

from evenwall_bridge.build import avr_firmware
from evenwall_bridge.clock import LoopClock, run_virtual
from evenwall_bridge.contract import Fault, Mode, Ramp
from evenwall_bridge.motion import FrameLimits, predict_steps, segments

from .chip import (
    STEPS_PER_TURN,
    fast_frame,
    flood,
    interval_errors_cycles,
    memory,
    turning,
    unlike_rates,
)
from .pulses import due_cycles
from .simulator import ChipBoard
from .waiting import until

INTERVAL_ERROR_CYCLES = 200  # 12.5 us: what this board promises, at the 99.9th percentile


@pytest.mark.parametrize("steps_s", [1_000, 5_000, 20_000, 40_000])
def test_pulses_come_when_due_with_the_link_at_full_load(steps_s: int) -> None:
    limits, ramps = fast_frame(steps_s), unlike_rates(steps_s, 0.8)

    async def work() -> None:
        board = ChipBoard(LoopClock())
        rig = await turning(board, limits, ramps)
        board.feed(flood(rig, 1.1))
        state = await until(rig, lambda s: s.mode is Mode.HOLDING)
        assert board.steps() == predict_steps(ramps, limits)
        assert state.steps_late == 0
        assert board.count("lost_bytes") == 0  # with the chip's own two-byte buffer
        assert state.frames_bad == 0
        for errors in interval_errors_cycles(board, ramps, limits):
            assert errors[int(0.999 * len(errors))] <= INTERVAL_ERROR_CYCLES
        await rig.close()

    run_virtual(work())


def test_reversals_at_every_phase_lose_no_step() -> None:
    """Slow swings through zero, where pulses are rare and directions change."""
    limits = fast_frame(5_000)
    ramps = [
        Ramp(0.05 + 0.013 * (i % 7), (-1) ** i * (0.2 + 0.07 * (i % 11)), (-1) ** (i // 2) * 0.3)
        for i in range(120)
    ]
    ramps.append(Ramp(0.1, 0.0, 0.0))

    async def work() -> None:
        board = ChipBoard(LoopClock())
        rig = await turning(board, limits, ramps)
        state = await until(rig, lambda s: s.mode is Mode.HOLDING)
        assert board.steps() == predict_steps(ramps, limits)
        for axis, name in enumerate(("major", "minor")):
            due = due_cycles(segments(ramps, limits), axis)
            came = list(board.edges(name))
            shift = min(c - d for c, d in zip(came, due, strict=True))
            # Never early against each other, and late by less than the promise.
            assert max(c - d - shift for c, d in zip(came, due, strict=True)) <= 250
        assert state.steps_late == 0
        await rig.close()

    run_virtual(work())


def test_an_overload_is_counted_and_loses_no_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Far over what the firmware accepts, with that limit taken out and the link at full load:
    pulses come late, slices are missed, and all of this is reported; the count stays exact."""
    too_fast, limit = 60_000, 2_100_000_000
    monkeypatch.setattr("evenwall_bridge.motion.HARD_STEPS_S", too_fast)
    monkeypatch.setattr("evenwall_bridge.motion.RATE_HARD_MAX", limit)
    limits = fast_frame(too_fast)
    rate_rpm = limits.rate_limit_rpm
    ramps = [Ramp(0.3, rate_rpm, -rate_rpm), Ramp(0.3, rate_rpm, -rate_rpm), Ramp(0.3, 0.0, 0.0)]

    async def work() -> None:
        board = ChipBoard(LoopClock(), avr_firmware(f"-DRATE_HARD_MAX={limit}L"))
        rig = await turning(board, limits, ramps)
        board.feed(flood(rig, 1.0))
        state = await until(rig, lambda s: s.mode is Mode.HOLDING)
        assert state.steps_late > 0
        assert board.steps() == predict_steps(ramps, limits)
        await rig.close()

    run_virtual(work())


def modulated(hours: float) -> list[Ramp]:
    """A spin whose speed swells and falls every turn, with a reversal now and then."""
    ramps = []
    time_s = 0.0
    while time_s < hours * 3600.0:
        step = len(ramps)
        sign = -1.0 if step // 150 % 2 else 1.0
        ramps.append(Ramp(1.7, sign * (4.0 + 2.0 * (step % 5) / 4), sign * 1.1 - 0.2 * (step % 3)))
        time_s += 1.7
    return [*ramps, Ramp(1.0, 0.0, 0.0)]


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_an_hour_of_a_modulated_profile_ends_on_the_predicted_step() -> None:
    limits = FrameLimits(steps_per_turn_major=800, steps_per_turn_minor=1600)
    ramps = modulated(hours=1.0)

    async def work() -> None:
        board = ChipBoard(LoopClock())
        rig = await turning(board, limits, ramps, state_period_s=0.5)
        state = await until(rig, lambda s: s.mode is Mode.HOLDING)
        assert board.steps() == predict_steps(ramps, limits)
        assert (state.major.steps, state.minor.steps) == board.steps()
        assert state.steps_late == 0
        assert not state.faults
        await rig.close()

    run_virtual(work())


def test_the_enable_line_has_no_blip_at_boot_and_pins_are_quiet() -> None:
    async def work() -> None:
        clock = LoopClock()
        board = ChipBoard(clock)
        for cause in ("power_on", "brown_out", "watchdog", "external"):
            await clock.sleep(0.3)
            assert not board.enabled()
            board.reset(cause)
        await clock.sleep(0.3)
        assert board.count("enable_dips") == 0
        assert board.steps() == (0, 0)

    run_virtual(work())


def test_a_hung_program_is_ended_by_the_watchdog_and_says_so() -> None:
    limits = fast_frame(1_000)

    async def work() -> None:
        clock = LoopClock()
        board = ChipBoard(clock)
        rig = await turning(board, limits, [Ramp(0.5, 2.0, 1.0), Ramp(60.0, 2.0, 1.0)])
        await clock.sleep(2.0)
        board.hang()
        await clock.sleep(0.5)  # the watchdog waits 250 ms
        assert not board.enabled()
        at_rest = board.steps()
        state = await until(rig, lambda s: s.mode is Mode.DISABLED)
        assert Fault.WATCHDOG in state.faults
        assert board.steps() == at_rest
        await rig.close()

    run_virtual(work())


def test_index_noise_is_not_believed() -> None:
    """Spikes of the switch's wire, far from the flag: the angle and the slip watch ignore them."""
    limits = fast_frame(5_000)

    async def work() -> None:
        clock = LoopClock()
        board = ChipBoard(clock)
        board.set_index("major", STEPS_PER_TURN, at_steps=8_000)
        rig = await turning(board, limits, [Ramp(0.2, 15.0, 0.0), Ramp(20.0, 15.0, 0.0)])
        await until(rig, lambda s: s.major.indexed)
        for _ in range(20):
            board.index_spike("major")
            await clock.sleep(0.37)
        assert not rig.state.faults
        await rig.close()

    run_virtual(work())


def test_memory_fits_with_the_stack_measured() -> None:
    used = memory()
    assert used.flash_bytes <= 32_768 - 2_048  # a boot loader's room left
    free = used.stack_free_bytes
    assert free >= 128, f"{free} bytes between the data and the deepest stack"
