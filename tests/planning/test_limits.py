"""Remarks of a plan that misses its figures, or that has no comparison."""

from __future__ import annotations

import numpy as np
import pytest

from evenwall.model import WallSummary
from evenwall.numerics.film import WallStatistics
from evenwall.planning.assemble import gain_over
from evenwall.planning.limits import falls_short


def wall(lowest: float) -> WallStatistics:
    return WallStatistics(1.0, lowest, lowest, lowest, 1.1, 1.0, 1.0, 0.05, 0)


def test_gain_over_a_bare_baseline_is_no_number() -> None:
    """A resin that sets within minutes leaves bare places at 4:1, so there is no ratio."""
    assert gain_over(0.0, wall(0.4)) is None
    assert gain_over(0.5, wall(0.8)) == pytest.approx(1.6)
    assert np.isfinite(gain_over(1e-4, wall(0.4)) or np.nan)


@pytest.mark.parametrize(
    ("lowest", "p05", "worst", "short"),
    [
        (0.90, 0.94, 0.80, False),
        (0.87, 0.94, 0.80, True),
        (0.90, 0.92, 0.80, True),
        (0.90, 0.94, 0.74, True),
        (None, None, None, False),  # no film was computed, so nothing is known to fall short
    ],
)
def test_what_falls_short(
    lowest: float | None, p05: float | None, worst: float | None, short: bool
) -> None:
    """A wall of 4 mm falls short below 0.88, 0.93 and on a bad day 0.75 of the mean."""
    part = [None if value is None else 4.0 * value for value in (lowest, p05, worst)]
    found = WallSummary(
        target_mm=4.0, mean_mm=4.0, min_mm=part[0], p05_mm=part[1], worst_case_min_mm=part[2]
    )
    assert bool(falls_short(found)) is short
