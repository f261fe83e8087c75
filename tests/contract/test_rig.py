"""Contract of every rig, real or simulated. Angles in degrees, rates in rpm, times in seconds."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from evenwall_bridge.contract import (
    Fault,
    LinkLost,
    Mode,
    Ramp,
    Refused,
    RigFault,
)
from evenwall_bridge.motion import predict_steps

from .rigs import LIMITS, RUNNERS, Bench

Work = Callable[[Bench], Coroutine[Any, Any, None]]
Runner = Callable[[Work], None]

# A profile with everything: different ratios, a reversal of each axis, an end at rest.
PROFILE = [
    Ramp(0.5, 6.0, 1.5),
    Ramp(0.8, 6.2, -3.0),
    Ramp(0.7, -5.0, -3.1),
    Ramp(0.31, -5.0, -3.1),
    Ramp(0.9, 0.0, 4.0),
    Ramp(0.4, 0.0, 0.0),
]
STEADY = [Ramp(0.5, 8.0, 4.0), Ramp(30.0, 8.0, 4.0), Ramp(0.5, 0.0, 0.0)]


@pytest.fixture(params=sorted(RUNNERS))
def run(request: pytest.FixtureRequest) -> Runner:
    runner: Runner = RUNNERS[request.param]
    return runner


def moved(before: tuple[int, int], after: tuple[int, int]) -> tuple[int, int]:
    return after[0] - before[0], after[1] - before[1]


def test_a_board_wakes_disabled_and_says_what_it_enforces(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = bench.another()
        with pytest.raises(LinkLost):
            rig.state  # noqa: B018
        await rig.open()
        assert rig.state.mode is Mode.DISABLED
        assert not bench.pins.enabled()
        assert rig.info.steps_per_turn_major == LIMITS.steps_per_turn_major
        assert rig.info.rate_limit_rpm == LIMITS.rate_limit_rpm
        assert rig.info.queue_capacity_ramps >= 64
        with pytest.raises(Refused, match="enable"):
            await rig.queue(PROFILE)
        await rig.close()
        assert bench.pins.steps() == (0, 0)

    run(work)


def test_a_profile_ends_on_the_predicted_step(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        assert rig.state.mode is Mode.HOLDING
        await rig.queue(PROFILE)
        assert rig.state.mode is Mode.TURNING
        done = await bench.until(rig, lambda s: s.mode is Mode.HOLDING)
        expected = predict_steps(PROFILE, LIMITS)
        assert (done.major.steps, done.minor.steps) == expected
        assert bench.pins.steps() == expected
        assert done.ramps_done == done.ramps_accepted == len(PROFILE)
        assert not done.faults
        assert not done.coasting
        await rig.close()

    run(work)


def test_batches_make_the_same_motion_as_one_list(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        ramps = [Ramp(15.0, 6.0, 1.5), *PROFILE]  # the first is long: a busy machine pauses
        for ramp in ramps:
            await rig.queue([ramp])
        await bench.until(rig, lambda s: s.mode is Mode.HOLDING)
        assert bench.pins.steps() == predict_steps(ramps, LIMITS)
        await rig.close()

    run(work)


def test_more_ramps_than_the_queue_holds_wait_for_room(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        capacity = rig.info.queue_capacity_ramps
        ramps = [Ramp(0.05, 2.0 + 0.01 * (i % 7), 1.0) for i in range(capacity + 40)]
        ramps = [Ramp(0.5, 2.0, 1.0), *ramps, Ramp(0.5, 0.0, 0.0)]
        await rig.queue(ramps)
        await bench.until(rig, lambda s: s.mode is Mode.HOLDING)
        assert bench.pins.steps() == predict_steps(ramps, LIMITS)
        await rig.close()

    run(work)


def test_a_ramp_over_a_limit_is_refused_whole(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        with pytest.raises(Refused, match=r"major_rpm is 31\.0 rpm: at most 30\.0 rpm"):
            await rig.queue([Ramp(1.0, 5.0, 0.0), Ramp(10.0, 31.0, 0.0)])
        with pytest.raises(Refused, match=r"changes by 30 rpm/s: at most 20\.0 rpm/s"):
            await rig.queue([Ramp(1.0, 5.0, 0.0), Ramp(1.0, 5.0, -30.0)])
        # A reversal must pass through zero within the limit: 30 rpm of change in 1 s is too much.
        with pytest.raises(Refused, match="changes by"):
            await rig.queue([Ramp(1.0, 15.0, 0.0), Ramp(1.0, -15.0, 0.0)])
        state = await bench.next_row(rig)
        assert state.mode is Mode.HOLDING
        assert state.ramps_accepted == 0
        assert bench.pins.steps() == (0, 0)
        # Exactly at the limit it is accepted, whatever its rounding to slices.
        await rig.queue([Ramp(1.0, 20.0, -20.0), Ramp(1.5, 30.0, -30.0), Ramp(1.5, 0.0, 0.0)])
        await rig.close()

    run(work)


def test_hold_ramps_down_and_keeps_the_drivers_on(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        await rig.queue(STEADY)
        await bench.until(rig, lambda s: s.ramps_done >= 1)
        await rig.hold()
        assert rig.state.mode is Mode.STOPPING
        state = await bench.until(rig, lambda s: s.mode is not Mode.STOPPING)
        assert state.mode is Mode.HOLDING
        assert state.queue_s == 0.0
        assert bench.pins.enabled()
        at_rest = bench.pins.steps()
        await bench.next_row(rig)
        assert bench.pins.steps() == at_rest
        # It then turns again from there, exactly.
        await rig.queue(PROFILE)
        await bench.until(rig, lambda s: s.mode is Mode.HOLDING)
        assert moved(at_rest, bench.pins.steps()) == predict_steps(PROFILE, LIMITS)
        await rig.close()

    run(work)


def test_stop_ramps_down_and_switches_the_drivers_off(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        await rig.queue(STEADY)
        await bench.until(rig, lambda s: s.ramps_done >= 1)
        await rig.hold()
        await rig.stop()  # while it ramps down already
        state = await bench.until(rig, lambda s: s.mode is not Mode.STOPPING)
        assert state.mode is Mode.DISABLED
        await bench.next_row(rig)
        assert not bench.pins.enabled()
        with pytest.raises(Refused):
            await rig.queue(PROFILE)
        await rig.close()

    run(work)


def test_the_guard_stops_the_frame_whatever_the_host_wants(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        await rig.queue(STEADY)
        await bench.until(rig, lambda s: s.ramps_done >= 1)
        bench.pins.set_guard(False)
        state = await bench.until(rig, lambda s: s.mode is Mode.DISABLED)
        assert Fault.GUARD_OPEN in state.faults
        assert not state.guard_closed
        await bench.next_row(rig)
        assert not bench.pins.enabled()
        with pytest.raises(Refused, match="guard is open"):
            await rig.enable(grant_s=60.0)
        with pytest.raises(RigFault, match="guard_open"):
            await rig.queue(PROFILE)
        bench.pins.set_guard(True)
        at_rest = bench.pins.steps()
        state = await bench.next_row(rig)
        # Closing it moves nothing and clears nothing: that takes a deliberate command.
        assert state.mode is Mode.DISABLED
        assert Fault.GUARD_OPEN in state.faults
        assert bench.pins.steps() == at_rest
        await rig.enable(grant_s=60.0)
        assert not rig.state.faults
        await rig.close()

    run(work)


@pytest.mark.parametrize(
    ("axis", "fault"), [("major", Fault.DRIVER_MAJOR), ("minor", Fault.DRIVER_MINOR)]
)
def test_a_driver_fault_stops_both_axes(run: Runner, axis: str, fault: Fault) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        await rig.queue(STEADY)
        await bench.until(rig, lambda s: s.ramps_done >= 1)
        bench.pins.set_driver_fault(axis, True)
        state = await bench.until(rig, lambda s: s.mode is Mode.DISABLED)
        assert fault in state.faults
        with pytest.raises(Refused, match="driver"):
            await rig.enable(grant_s=60.0)
        bench.pins.set_driver_fault(axis, False)
        await rig.enable(grant_s=60.0)
        await rig.close()

    run(work)


def test_a_dry_queue_keeps_the_last_speed_and_goes_on_without_a_jolt(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        await rig.queue([Ramp(0.5, 8.0, -4.0)])
        state = await bench.until(rig, lambda s: s.coasting)
        assert state.mode is Mode.TURNING
        assert Fault.QUEUE_DRY in state.faults
        assert state.major.rate_rpm == pytest.approx(8.0, abs=1e-5)
        with pytest.raises(Refused, match="changes by"):  # from 8 rpm, not from rest
            await rig.queue([Ramp(0.1, 0.0, -4.0)])
        await rig.queue([Ramp(0.4, 0.0, 0.0)])
        await bench.until(rig, lambda s: s.mode is Mode.HOLDING)
        await rig.close()

    run(work)


def test_a_silent_host_is_waited_for_as_long_as_it_granted(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = bench.another()
        await rig.open()
        await rig.enable(grant_s=20.0)
        await rig.queue([Ramp(0.5, 8.0, 4.0), Ramp(600.0, 8.0, 4.0)])
        await rig.close()
        await bench.clock.sleep(2.0)
        first = bench.pins.steps()
        await bench.clock.sleep(1.0)
        assert moved(first, bench.pins.steps())[0] > 0  # it keeps turning
        await bench.clock.sleep(20.0)
        assert not bench.pins.enabled()
        again = bench.another()
        await again.open()
        assert again.state.mode is Mode.DISABLED
        assert Fault.HOST_SILENT in again.state.faults
        with pytest.raises(RigFault, match="host_silent"):
            await again.queue(PROFILE)
        await again.close()

    run(work)


def test_a_new_host_rejoins_a_turning_frame_and_ends_on_the_step(run: Runner) -> None:
    first_part = [Ramp(0.5, 8.0, 4.0), Ramp(40.0, 8.0, 4.0)]
    second_part = [Ramp(1.0, 8.0, -4.0), Ramp(1.0, 0.0, 0.0)]

    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        await rig.queue(first_part)
        await bench.clock.sleep(3.0)
        await rig.close()
        await bench.clock.sleep(3.0)
        again = bench.another()
        await again.open()
        assert again.state.mode is Mode.TURNING
        assert again.state.major.rate_rpm == pytest.approx(8.0, abs=1e-5)
        assert again.state.ramps_accepted == 2
        assert again.state.ramps_done == 1
        assert again.state.queue_s > 5.0
        with pytest.raises(Refused):
            await again.enable(grant_s=60.0)  # not while it turns
        await again.queue(second_part)
        state = await bench.until(again, lambda s: s.mode is Mode.HOLDING)
        assert bench.pins.steps() == predict_steps(first_part + second_part, LIMITS)
        assert state.ramps_done == 4
        await again.close()

    run(work)


def test_park_goes_the_short_way_and_lands_on_the_step(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        await rig.queue(STEADY)
        await bench.until(rig, lambda s: s.ramps_done >= 1)
        await rig.park(90.0, 300.0)  # out of the turning
        state = rig.state
        assert state.mode is Mode.HOLDING
        assert state.major.angle_deg == 90.0
        # 300 degrees are 1333 1/3 of 1600 steps: the nearest one.
        assert state.minor.angle_deg == pytest.approx(300.0, abs=180.0 / 1600)
        before = bench.pins.steps()
        await rig.park(80.0, 300.0)
        assert moved(before, bench.pins.steps()) == (round(-10 / 360 * 3200), 0)
        await rig.close()

    run(work)


def test_parking_is_ended_by_the_guard_and_by_hold(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        parking = asyncio.ensure_future(rig.park(170.0, 0.0))
        await bench.until(rig, lambda s: s.mode is Mode.TURNING)
        await rig.hold()
        with pytest.raises(Refused, match="another command"):
            await parking
        parking = asyncio.ensure_future(rig.park(170.0, 0.0))
        await bench.until(rig, lambda s: s.mode is Mode.TURNING)
        bench.pins.set_guard(False)
        with pytest.raises(RigFault, match="guard_open"):
            await parking
        await rig.close()

    run(work)


def test_the_index_gives_the_angle_and_tells_of_slip(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        bench.pins.set_index("major", LIMITS.steps_per_turn_major, at_steps=400)
        bench.pins.set_index("minor", LIMITS.steps_per_turn_minor, at_steps=0)
        rig = await bench.enabled()
        assert not rig.state.major.indexed
        await rig.queue([Ramp(1.0, 20.0, -20.0), Ramp(40.0, 20.0, -20.0), Ramp(1.0, 0.0, 0.0)])
        state = await bench.until(rig, lambda s: s.major.indexed and s.minor.indexed)
        expected_deg = (state.major.steps - 400) % 3200 / 3200 * 360
        # Within a step or two: an interrupt sees the flag after the pulse that entered it.
        assert state.major.angle_deg == pytest.approx(expected_deg, abs=0.3)
        start_s = state.at_s
        state = await bench.until(rig, lambda s: s.at_s > start_s + 7.0)  # two more turns
        assert not state.faults
        bench.pins.slip("major", 64)
        state = await bench.until(rig, lambda s: bool(s.faults))
        assert state.faults == {Fault.SLIP_MAJOR}
        assert state.mode is Mode.TURNING  # reported, not stopped: a coat may depend on it
        expected_deg = (state.major.steps - 64 - 400) % 3200 / 3200 * 360
        assert state.major.angle_deg == pytest.approx(expected_deg, abs=0.3)
        await rig.close()

    run(work)


@pytest.mark.parametrize(
    ("cause", "faults"),
    [
        ("power_on", set()),
        ("brown_out", {Fault.BROWN_OUT}),
        ("watchdog", {Fault.WATCHDOG}),
    ],
)
def test_after_a_power_cut_nothing_moves_by_itself(
    run: Runner, cause: str, faults: set[Fault]
) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        await rig.queue(STEADY)
        await bench.until(rig, lambda s: s.ramps_done >= 1)
        at_s = rig.state.at_s
        bench.pins.reset(cause)
        at_rest = bench.pins.steps()
        # The rig finds the board restarted and comes back by itself, disabled.
        state = await bench.until(rig, lambda s: s.mode is Mode.DISABLED)
        assert state.faults == faults
        assert bench.pins.steps() == at_rest
        assert not bench.pins.enabled()
        # Its clock began again; the rows' moments did not.
        row = await bench.next_row(rig)
        assert row.at_s > at_s
        await rig.enable(grant_s=60.0)
        await rig.queue(PROFILE)
        await bench.until(rig, lambda s: s.mode is Mode.HOLDING)
        assert moved(at_rest, bench.pins.steps()) == predict_steps(PROFILE, LIMITS)
        await rig.close()

    run(work)


def test_a_hold_ends_a_list_that_waits_for_room(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        ramps = [Ramp(0.5, 2.0, 1.0)] * (rig.info.queue_capacity_ramps + 20)
        queueing = asyncio.ensure_future(rig.queue(ramps))
        await bench.until(rig, lambda s: s.mode is Mode.TURNING)
        await rig.hold()
        with pytest.raises(Refused):
            await queueing
        state = await bench.until(rig, lambda s: s.mode is Mode.HOLDING)
        assert state.queue_s == 0.0
        at_rest = bench.pins.steps()
        await bench.next_row(rig)
        assert bench.pins.steps() == at_rest
        await rig.close()

    run(work)


def test_a_hold_amid_a_list_leaves_none_of_it_behind(run: Runner) -> None:
    """On a slow link the hold comes between the frames of the list: the remaining ramps must not
    start a new motion."""

    async def work(bench: Bench) -> None:
        rig = await bench.enabled()
        queueing = asyncio.ensure_future(rig.queue([Ramp(0.5, 2.0, 1.0)] * 60))
        await bench.clock.sleep(0.02)
        await rig.hold()
        await asyncio.gather(queueing, return_exceptions=True)
        state = await bench.until(rig, lambda s: s.mode is Mode.HOLDING)
        await bench.next_row(rig)
        at_rest = bench.pins.steps()
        state = await bench.next_row(rig)
        assert state.mode is Mode.HOLDING
        assert state.queue_s == 0.0
        assert bench.pins.steps() == at_rest
        await rig.close()

    run(work)


def test_closing_ends_every_waiter_and_leaves_no_task(run: Runner) -> None:
    async def work(bench: Bench) -> None:
        tasks = asyncio.all_tasks()
        rig = await bench.enabled()
        rows = [row async for row in _few(rig.states(), 3)]
        assert rows[0].at_s <= rows[1].at_s <= rows[2].at_s

        async def watch() -> int:
            return sum([1 async for _ in rig.states()])

        watcher = asyncio.ensure_future(watch())
        parking = asyncio.ensure_future(rig.park(180.0, 0.0))
        await bench.until(rig, lambda s: s.mode is Mode.TURNING)
        await rig.close()
        assert await watcher > 0
        with pytest.raises(LinkLost, match="closed"):
            await parking
        with pytest.raises(LinkLost):
            await rig.hold()
        assert asyncio.all_tasks() == tasks

    run(work)


async def _few(rows: Any, count: int) -> Any:
    async for row in rows:
        yield row
        count -= 1
        if count == 0:
            return
