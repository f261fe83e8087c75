"""A profile is entered at its own angle, whatever the position of the frame."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenwall.model import CoatPlan, Ramp
from evenwall.run.motion import MEETS_TURNS, Profile
from tests.support.virtual_shop import lantern_plan

# One turn of the major axis in 9 s that lingers at the top: quick for half of it, slow for half.
LINGERING = [
    Ramp(leg="turning", duration_s=1.5, major_rpm=rpm, minor_rpm=2.0)
    for _ in range(20)
    for rpm in (4.0, 4.0, 4.0, 9.3, 9.3, 9.3)
]


def lingering() -> CoatPlan:
    return lantern_plan().coats[0].model_copy(update={"ramps": tuple(LINGERING)})


def test_turns_are_the_integral_of_the_speed() -> None:
    profile = Profile.of(lingering())
    step_s = 0.01
    counted = sum(profile.rates_at((k + 0.5) * step_s)[0] * step_s / 60.0 for k in range(10_000))
    # The midpoint rule is exact on straight pieces but for the steps that hold a corner.
    assert profile.turns_at(100.0) == pytest.approx(counted, abs=1e-4)
    assert profile.turns_at(100.0) > 10.0


@settings(max_examples=60, deadline=None)
@given(
    profile_s=st.floats(10.0, 200.0),
    turned=st.floats(0.0, 1.0, allow_subnormal=False),
    rate_rpm=st.sampled_from([0.0, 4.0, 9.3]),
)
def test_it_is_entered_where_the_frame_stands(
    profile_s: float, turned: float, rate_rpm: float
) -> None:
    profile = Profile.of(lingering())
    (duration_s, major, minor), ends_s = profile.into((rate_rpm, 0.0), profile_s, 5.0, turned)
    stands = turned + 0.5 * (rate_rpm + major) * duration_s / 60.0
    off = (stands - profile.turns_at(ends_s) + 0.5) % 1.0 - 0.5
    assert abs(off) <= MEETS_TURNS
    assert (major, minor) == profile.rates_at(ends_s)
    # The nearest such moment is at most half a turn of 9 s away, and the entering ramp's own length
    # jumps where the speeds do, by a second or two.
    assert abs(ends_s - duration_s - profile_s) < 7.0
    assert duration_s >= 1.0
