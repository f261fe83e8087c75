"""The board's clock on the host's clock, with an inaccurate resonator and late rows."""

from __future__ import annotations

import random

import pytest

from evenwall_bridge.link import ClockAlignment
from evenwall_bridge.motion import SLICE_S


def stream(
    skew: float, jitter_s: float, stalls: float, seconds: float, seed: int
) -> tuple[ClockAlignment, list[float]]:
    """Rows 24 slices apart through a link of 2 ms and more; errors of the second half, seconds."""
    dice = random.Random(seed)
    alignment = ClockAlignment()
    errors = []
    start_s = 1234.5
    for number in range(0, int(seconds / SLICE_S), 24):
        true_s = start_s + number * SLICE_S * (1.0 + skew)
        late_s = 0.002 + dice.expovariate(1.0 / jitter_s)
        if dice.random() < stalls:
            late_s += dice.uniform(0.05, 1.0)
        alignment.add(number, true_s + late_s)
        if number * SLICE_S > seconds / 2:
            errors.append(alignment.host_s(number) - true_s)
    return alignment, errors


@pytest.mark.parametrize("skew", [-0.005, -1e-4, 0.0, 1e-4, 0.005])
@pytest.mark.parametrize("seed", range(4))
def test_rows_are_dated_within_milliseconds(skew: float, seed: int) -> None:
    """A ceramic resonator is off by half a per cent at worst; one row in ten stalls.

    The least delay, 2 ms, cannot be told from an offset, so the mean error is about as large; 5 ms
    each way allows for the luck of a window's best rows.
    """
    _, errors = stream(skew, jitter_s=0.003, stalls=0.1, seconds=240.0, seed=seed)
    assert max(errors) < 0.002 + 0.005
    assert min(errors) > 0.002 - 0.005


def test_a_clock_that_agrees_is_dated_to_the_least_delay_at_once() -> None:
    alignment = ClockAlignment()
    alignment.add(0, 10.0)
    assert alignment.host_s(0) == 10.0
    alignment.add(24, 10.0 + 24 * SLICE_S + 0.5)  # a stalled row moves nothing
    assert alignment.host_s(24) == pytest.approx(10.0 + 24 * SLICE_S, abs=1e-9)
