"""Last improvement of a plan: small changes of all coats' numbers together, for the worst day.

A film responds almost linearly to small changes of a recipe. So each number of each coat is changed
a little once, and a linear programme finds the joint change that makes the thinnest patch thickest
(sequential linear programming; Griffith and Stewart 1961, Management Science 7:379, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from evenwall.errors import NotConverged

Array = NDArray[np.float64]

TENTH = 0.1  # of the patches


@dataclass(frozen=True)
class Aim:
    """Weights that judge a move. The thinnest patch has weight 1, that of the worst day day_weight;
    it costs short_cost below worst_wanted. The mean of the thinnest tenth as planned has
    low_weight. The rim may differ from the mean by rim_slack; beyond it costs rim_cost."""

    day_weight: float
    worst_wanted: float
    short_cost: float
    low_weight: float
    rim_slack: float
    rim_cost: float


class _Rows:
    """Rows of the linear programme, each an upper limit on a sum of the unknowns."""

    def __init__(self, days: Array, slopes: Array, few: int) -> None:
        """few: the number of patches that may fall short, each with an unknown at the end."""
        self._days, self._slopes, self._few = days, slopes, few
        self._rows: list[sparse.sparray] = []
        self._limits: list[Array] = []

    def add(self, rows: Array, limits: Array) -> None:
        """Add rows (m, unknowns) with their limits (m,)."""
        self._rows.append(sparse.csr_array(rows))
        self._limits.append(limits)

    def lie_below(self, column: int, day: int, its: NDArray[np.intp], less: float = 0.0) -> None:
        """Require this column to be at most a day's patches plus what each may lack."""
        numbers = self._slopes.shape[1]
        row = np.zeros((len(its), numbers + 5))
        row[:, :numbers] = -self._slopes[day][:, its].T
        row[:, column] = 1.0
        lacking = -less * sparse.eye_array(len(its), self._few)
        self._rows.append(sparse.hstack([sparse.csr_array(row), lacking]))
        self._limits.append(self._days[day, its])

    def constraint(self) -> LinearConstraint:
        """Return all rows for the solver."""
        all_rows = sparse.vstack(self._rows).tocsr()
        return LinearConstraint(all_rows, -np.inf, np.concatenate(self._limits))


def best_move(
    days: Array,
    slopes: Array,
    rim: float,
    rim_slopes: Array,
    bounds: Sequence[tuple[float, float]],
    aim: Aim,
) -> Array:
    """Return the best move of each number, (n,), within its bounds.

    days: patches over the mean, (1 + bad days, patches), the first as planned. slopes: the effect
    of a unit of each number on every patch, (1 + bad days, n, patches). rim, rim_slopes: the same
    for the rim over the mean as planned; nan where there is none.
    """
    planned, count = days[0], len(days) - 1
    reach = np.abs(bounds).max(axis=1) @ np.abs(slopes)  # no move changes a patch of a day by more
    most = float(np.quantile(planned + reach[0], TENTH, method="higher"))
    near = np.flatnonzero(planned - reach[0] <= most)
    numbers, few = slopes.shape[1], len(near)
    # After the numbers come: thinnest patch as planned, thinnest on the worst day, its shortfall,
    # the excess at the rim, the upper end of the thinnest tenth, and how far each near patch lies
    # below that (Rockafellar and Uryasev 2000, J. Risk 2:21).
    thinnest, worst, short, excess, tenth = range(numbers, numbers + 5)
    rows = _Rows(days, slopes, few)
    rows.lie_below(thinnest, 0, near)
    rows.lie_below(tenth, 0, near, less=1.0)
    for day in range(1, 1 + count):
        least = (days[day] + reach[day]).min()
        rows.lie_below(worst, day, np.flatnonzero(days[day] - reach[day] <= least))
    if count:
        lacks = np.zeros((1, numbers + 5 + few))
        lacks[0, [worst, short]] = -1.0
        rows.add(lacks, np.array([-aim.worst_wanted]))
    if np.isfinite(rim):
        row = np.zeros((2, numbers + 5 + few))
        row[:, :numbers] = np.array([[1.0], [-1.0]]) * rim_slopes
        row[:, excess] = -1.0
        rows.add(row, np.array([aim.rim_slack + 1.0 - rim, aim.rim_slack - 1.0 + rim]))
    day_weight = aim.day_weight if count else 0.0
    cost = np.zeros(numbers + 5 + few)
    cost[[thinnest, worst, short, excess, tenth]] = (
        day_weight - 1.0, -day_weight, aim.short_cost, aim.rim_cost, -aim.low_weight
    )  # fmt: skip
    cost[numbers + 5 :] = aim.low_weight / (TENTH * days.shape[1])
    some = np.zeros(numbers + 5 + few)
    low, high = some - np.inf, some + np.inf
    low[:numbers], high[:numbers] = np.array(bounds).T
    low[worst], high[worst] = (-np.inf, np.inf) if count else (0.0, 0.0)
    low[short] = low[excess] = low[numbers + 5 :] = 0.0
    high[tenth] = most
    found = milp(  # without integers: HiGHS's linear programme, which takes sparse rows
        cost,
        constraints=rows.constraint(),
        bounds=Bounds(low, high),
    )
    if found.x is None:
        raise NotConverged(f"a move of all biases ({found.message})", math.nan, 0)
    return np.asarray(found.x[:numbers])
