"""The move of all biases together, on invented films with a solution by hand."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from evenwall.planning.polish import Aim, best_move

AIM = Aim(
    day_weight=0.0,
    worst_wanted=0.0,
    short_cost=0.0,
    low_weight=0.0,
    rim_slack=0.06,
    rim_cost=3.0,
)
NO_RIM = np.full(1, math.nan)
X = np.linspace(-1.0, 1.0, 41)


def test_a_tilt_is_taken_out() -> None:
    """The film is tilted by 0.2, and the number tilts it by 1 per step: by hand, 0.2 of a step
    back."""
    move = best_move((1 + 0.2 * X)[None], X[None, None], math.nan, NO_RIM, [(-1.0, 1.0)], AIM)
    assert move == pytest.approx([-0.2], abs=1e-6)


def test_no_number_moves_beyond_its_bounds() -> None:
    move = best_move((1 + 0.2 * X)[None], X[None, None], math.nan, NO_RIM, [(-0.05, 1.0)], AIM)
    assert move == pytest.approx([-0.05], abs=1e-6)


@pytest.mark.parametrize(("day_weight", "by_hand"), [(0.0, -0.1), (0.4, -0.1), (0.8, -0.2)])
def test_the_worst_day_has_its_weight(day_weight: float, by_hand: float) -> None:
    """As planned it leans by 0.1, on the bad day by 0.3. At a move m from -0.3 to -0.1 the planned
    film is thinnest at 1 - |0.1 + m|, and the bad day's at 1 - |0.3 + m|. Each step takes from one
    what it gives the other, so the heavier weight decides, down to the bound of -0.2."""
    days = np.array([1 + 0.1 * X, 1 + 0.3 * X])
    aim = replace(AIM, day_weight=day_weight)
    move = best_move(days, np.array([X[None], X[None]]), math.nan, NO_RIM, [(-0.2, 0.2)], aim)
    assert move == pytest.approx([by_hand], abs=1e-6)


def test_a_worst_day_below_what_is_wanted_is_helped_first() -> None:
    """As above with the lighter weight, but the worst day must reach 0.85, and has 0.8 when the
    planned film is flat: by hand, another 0.05 of a step to -0.15."""
    days = np.array([1 + 0.1 * X, 1 + 0.3 * X])
    aim = replace(AIM, day_weight=0.4, worst_wanted=0.85, short_cost=2.0)
    move = best_move(days, np.array([X[None], X[None]]), math.nan, NO_RIM, [(-0.2, 0.2)], aim)
    assert move == pytest.approx([-0.15], abs=1e-6)


def test_a_rim_beyond_its_slack_comes_back_first() -> None:
    """The film is flat already; the rim is 0.16 above it and costs three times what a patch is
    worth. A step takes 1 from the rim and tilts the film: by hand, 0.1 of a step."""
    move = best_move(np.ones((1, 41)), X[None, None], 1.16, np.array([-1.0]), [(-1.0, 1.0)], AIM)
    assert move == pytest.approx([0.1], abs=1e-6)


def judged(days: NDArray[np.float64], rim: float, aim: Aim) -> float:
    """Objective of `best_move`, written independently: by sorting, without a linear programme."""
    lowest = days.min(axis=1)
    tenth = np.sort(days[0])[: round(0.1 * days.shape[1])].mean()
    off = max(abs(rim - 1.0) - aim.rim_slack, 0.0)
    worst = float(lowest[1:].min())
    lacks = max(aim.worst_wanted - worst, 0.0)
    thinnest = (1 - aim.day_weight) * lowest[0] + aim.day_weight * worst
    return float(thinnest - aim.short_cost * lacks + aim.low_weight * tenth - aim.rim_cost * off)


def test_no_point_of_a_fine_grid_is_better() -> None:
    """Random films of 40 patches, two numbers, two bad days: 161 x 161 points are tried. The grid's
    step of 1/160 times slopes of up to 1 lets the programme win by up to 0.01, and never lose."""
    rng = np.random.default_rng(3)
    for _ in range(5):
        days = 1 + 0.06 * rng.standard_normal((3, 40))
        slopes, rim_slopes = 0.3 * rng.uniform(-1, 1, (3, 2, 40)), 0.3 * rng.uniform(-1, 1, 2)
        aim = replace(AIM, day_weight=0.5, worst_wanted=0.9, short_cost=2.0, low_weight=0.4)
        move = best_move(days, slopes, 1.1, rim_slopes, [(-0.5, 0.5)] * 2, aim)
        grid = np.linspace(-0.5, 0.5, 161)
        best = max(
            judged(days + np.array(at) @ slopes, 1.1 + np.array(at) @ rim_slopes, aim)
            for at in itertools.product(grid, grid)
        )
        found = judged(days + move @ slopes, 1.1 + float(move @ rim_slopes), aim)
        assert best - 1e-6 <= found <= best + 0.01
