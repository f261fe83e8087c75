"""What a plan says of itself when its numbers are not reached, or when there is no comparison."""

from __future__ import annotations

import numpy as np
import pytest

from controller.film import WallStatistics
from controller.plan.make import gain_over


def wall(lowest: float) -> WallStatistics:
    return WallStatistics(1.0, lowest, lowest, lowest, 1.1, 1.0, 1.0, 0.05, 0)


def test_gain_over_a_bare_baseline_is_no_number() -> None:
    """4:1 of a resin that sets within minutes leaves bare places: nothing to be divided by."""
    assert gain_over(0.0, wall(0.4)) is None
    assert gain_over(0.5, wall(0.8)) == pytest.approx(1.6)
    assert np.isfinite(gain_over(1e-4, wall(0.4)) or np.nan)
