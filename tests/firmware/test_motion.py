"""The integer model against brute force, against the firmware, and against the plain formula."""

from __future__ import annotations

import asyncio
import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenwall_bridge import motion
from evenwall_bridge.clock import LoopClock, ManualClock, run_virtual
from evenwall_bridge.contract import Mode, Ramp, Refused
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.motion import FrameLimits, Segment

LIMITS = FrameLimits()
RATES = st.integers(-motion.RATE_HARD_MAX, motion.RATE_HARD_MAX)


@given(st.integers(0, 60), st.integers(1, 50), st.integers(-200, 200), st.integers(-200, 200))
def test_floor_sum_is_the_sum(n: int, m: int, a: int, b: int) -> None:
    assert motion.floor_sum(n, m, a, b) == sum((a * k + b) // m for k in range(n))


@given(RATES, RATES, st.integers(1, 300))
def test_travel_is_the_sum_over_slices(before: int, after: int, slices: int) -> None:
    rates = [before + k * (after - before) // slices for k in range(slices + 1)]
    by_slices = sum(a + b for a, b in itertools.pairwise(rates))
    assert motion.travel(before, after, slices) == by_slices


def random_ramps(seed: int, count: int) -> list[Ramp]:
    """A jagged profile within the limits, ending at rest."""
    dice = random.Random(seed)
    ramps = [
        Ramp(dice.uniform(3.0, 40.0), dice.uniform(-15.0, 15.0), dice.uniform(-15.0, 15.0))
        for _ in range(count)
    ]
    return [*ramps, Ramp(3.0, 0.0, 0.0)]


def test_a_simulated_day_ends_on_the_predicted_step() -> None:
    ramps = random_ramps(seed=11, count=4100)
    assert sum(r.duration_s for r in ramps) > 86_400.0

    async def day() -> tuple[int, int]:
        rig = HostRig(LoopClock(), LIMITS, state_period_s=5.0)
        await rig.open()
        await rig.enable(grant_s=600.0)
        await rig.queue(ramps)
        rows = rig.states()
        while rig.state.mode is not Mode.HOLDING:
            await anext(rows)
        await rig.close()
        return rig.pins.steps()

    steps = run_virtual(day())
    assert steps == motion.predict_steps(ramps, LIMITS)
    # The model is also compared with the plain integral of the rates, which has no slices: each
    # ramp may differ by half a slice of time at the ramp's mean rate (at most 15 rpm, 16 steps a
    # slice) and signs are mixed, so 4100 ramps stay well within 8 * sqrt(4100) * 3 steps.
    plain = 0.0
    before = 0.0
    for ramp in ramps:
        plain += (before + ramp.major_rpm) / 2 / 60 * ramp.duration_s * 16_000
        before = ramp.major_rpm
    assert steps[0] == pytest.approx(plain, abs=8 * 4100**0.5 * 3)


@given(st.integers(-8_000, 8_000), st.integers(-8_000, 8_000))
def test_a_move_is_exact_and_within_the_limits(major: int, minor: int) -> None:
    parts = motion.move((major, minor), LIMITS)
    assert motion.predict(parts) == (major, minor)
    config = LIMITS.config()
    before = (0, 0)
    for part in parts:
        after = (part.major, part.minor)
        for axis in (0, 1):
            assert abs(after[axis]) <= motion.rate_of(LIMITS.park_rate_rpm, 16_000) + 1
            change = abs(after[axis] - before[axis])
            assert -(-change // part.slices) <= config.accel_max[axis]
        before = after


@given(st.floats(0.01, 20.0), st.floats(-30.0, 30.0), st.floats(-30.0, 30.0))
def test_what_the_host_allows_the_board_allows(
    duration_s: float, first_rpm: float, second_rpm: float
) -> None:
    config = LIMITS.config()
    start = motion.rate_of(first_rpm, 16_000)
    try:
        (part,) = motion.segments([Ramp(duration_s, second_rpm, 0.0)], LIMITS, (start, 0))
    except Refused:
        return
    assert abs(part.major) <= config.rate_max[0]
    assert -(-abs(part.major - start) // part.slices) <= config.accel_max[0]


@pytest.mark.parametrize(
    ("ramp", "words"),
    [
        (Ramp(0.0, 1.0, 1.0), "duration_s is 0.0 s"),
        (Ramp(-1.0, 1.0, 1.0), "duration_s is -1.0 s"),
        (Ramp(1e9, 1.0, 1.0), "duration_s is 1000000000.0 s"),
        (Ramp(1.0, float("nan"), 1.0), "not a number"),
        (Ramp(10.0, 1.0, 31.0), "minor_rpm is 31.0 rpm: at most 30.0 rpm"),
        (Ramp(1.0, 11.0, 0.0), "major_rpm changes by 11 rpm/s: at most 10.0 rpm/s"),
    ],
)
def test_a_bad_ramp_is_named(ramp: Ramp, words: str) -> None:
    with pytest.raises(Refused, match=words):
        motion.segments([ramp], LIMITS)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"steps_per_turn_major": 0}, "steps_per_turn_major is 0"),
        ({"rate_limit_rpm": 200.0}, "53333 steps/s"),
        ({"accel_limit_rpm_s": -1.0}, "accel_limit_rpm_s is -1.0 rpm/s"),
        ({"park_rate_rpm": 31.0}, "park_rate_rpm is 31.0 rpm"),
    ],
)
def test_bad_limits_are_named(change: dict[str, float], words: str) -> None:
    with pytest.raises(Refused, match=words):
        FrameLimits(**change)  # type: ignore[arg-type]


def test_the_ratio_of_the_axes_is_kept_to_a_tenth_of_a_millionth() -> None:
    """Rates of 1000 and 381.966 steps/s for an hour: the golden ratio, which no gear meets."""
    golden = (3 - 5**0.5) / 2
    major_rpm = 1000.0 * 60 / 16_000
    slices = motion.slices_of(3600.0)
    part = Segment(
        slices, motion.rate_of(major_rpm, 16_000), motion.rate_of(major_rpm * golden, 16_000)
    )
    exact = [motion.travel(r, r, slices) for r in (part.major, part.minor)]
    assert exact[1] / exact[0] == pytest.approx(golden, rel=1e-7)
    steps = motion.predict([part], (part.major, part.minor))
    # Whole steps add one count in 1.4 million.
    assert steps[1] / steps[0] == pytest.approx(golden, rel=1e-6)


def test_under_a_manual_clock_the_board_moves_only_when_told() -> None:
    ramps = [Ramp(1.0, 6.0, -3.0), Ramp(2.0, 6.0, -3.0), Ramp(1.0, 0.0, 0.0)]

    async def work() -> None:
        clock = ManualClock(now_s=1_000.0)
        rig = HostRig(clock, LIMITS)
        await rig.open()
        await rig.enable(grant_s=60.0)
        await rig.queue(ramps)
        assert rig.state.mode is Mode.TURNING
        assert rig.pins.steps() == (0, 0)
        await clock.advance(3.9)
        assert rig.state.mode is Mode.TURNING
        assert rig.state.at_s == pytest.approx(1_003.9, abs=0.2)
        await clock.advance(0.4)
        assert rig.state.mode is Mode.HOLDING
        assert rig.pins.steps() == motion.predict_steps(ramps, LIMITS)
        await rig.close()

    asyncio.run(work())
