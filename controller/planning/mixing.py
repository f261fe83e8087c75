"""Sums of thickness maps of single coats: their scores as planned and on bad days, and the best
sums."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement, product

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from evenwall.errors import NotConverged
from evenwall.planning.walls import Grid

Array = NDArray[np.float64]

RIM_SLACK = 0.06  # the rim may differ from the mean by this much at no cost
RIM_COST = 3.0
LOW_WEIGHT = 1.0  # of the 5th percentile beside the thinnest patch
DAY_WEIGHT = 0.2  # of the worst day's thinnest patch beside the one as planned
# A worst day with less than this share of the mean costs more; the target is 0.75, and the last
# mesh gives up to 0.06 less than the mesh of the polish.
WORST_WANTED, SHORT_COST = 0.81, 2.0


def score(lowest: Array, rim: Array) -> Array:
    """Return the thinnest patch over the mean, less the cost of a rim that is too thin or too
    thick."""
    if np.isnan(rim).any():
        return lowest
    return np.asarray(lowest - RIM_COST * np.maximum(np.abs(rim - 1.0) - RIM_SLACK, 0.0))


def day_cost(planned: Array, worst: Array) -> Array:
    """Return the amount by which a worst day reduces the score, from the thinnest patch as planned
    and on that day."""
    return np.asarray(
        DAY_WEIGHT * (planned - worst) + SHORT_COST * np.maximum(WORST_WANTED - worst, 0.0)
    )


def measures(grid: Grid, sums: Array) -> tuple[Array, Array, Array]:
    """Return figures of films (k, cells) over their mean: thinnest patch, 5th percentile by area,
    and rim, each as in `WallWeights.statistics` of one film."""
    share = grid.weights.area / grid.weights.area.sum()
    mean = sums @ share
    rim = np.full(len(sums), np.nan)
    if grid.weights.rim is not None:
        rim = sums @ grid.weights.rim / mean
    order = np.argsort(sums, axis=1)
    rank = np.cumsum(share[order], axis=1) - 0.5 * share[order]
    rows = zip(rank, np.take_along_axis(sums, order, axis=1), strict=True)
    low = np.array([np.interp(0.05, at, film) for at, film in rows]) / mean
    return grid.weights.patch_means(sums.T).T.min(axis=1) / mean, low, rim


def rate(grid: Grid, sums: Array) -> Array:
    """Return the scores of total films, (k,)."""
    lowest, low, rim = measures(grid, sums)
    return score(lowest + LOW_WEIGHT * (low - 1.0), rim)


@dataclass(frozen=True, eq=False)
class Strain:
    """Effect of bad days on maps, as maps (1 + days, m, cells) on `grid`, the first as planned."""

    grid: Grid
    maps: Array
    base: Array

    def cost(self, sets: NDArray[np.int64], share: float) -> Array:
        """Return the amount by which the worst day reduces the score of each set (k, coats), (k,).
        A rim that is off on a bad day costs nothing in itself: where it makes the wall thin, the
        thin patch counts."""
        lowest = np.array(
            [_lowest(self.grid, maps, sets, self.base * share)[0] for maps in self.maps]
        )
        return np.asarray(day_cost(lowest[0], lowest.min(axis=0)))


def _lowest(grid: Grid, maps: Array, sets: NDArray[np.int64], under: Array) -> tuple[Array, Array]:
    """Return thinnest patch and rim over the mean of the sums of these maps on top of `under`, each
    (k,)."""
    weight = grid.weights.area / grid.weights.area.sum()
    mean = float(maps[0] @ weight) * sets.shape[1] + float(under @ weight)
    patches = (grid.weights.patch_means(maps.T).T / mean).astype(np.float32)
    below = (grid.weights.patch_means(under) / mean).astype(np.float32)
    lowest = np.empty(len(sets))
    for k in range(0, len(sets), 2048):
        part = sets[k : k + 2048]
        total = below + patches[part[:, 0]]
        for column in range(1, sets.shape[1]):
            total += patches[part[:, column]]
        lowest[k : k + 2048] = total.min(axis=1)
    rim = np.full(len(sets), np.nan)
    if grid.weights.rim is not None:
        rim = (maps @ grid.weights.rim)[sets].sum(axis=1) + under @ grid.weights.rim
        rim = rim / mean
    return lowest, rim


def best_sums(
    grid: Grid, maps: Array, coats: int, base: Array, of: NDArray[np.int64] | None = None
) -> NDArray[np.int64]:
    """Return every combination of maps (m, cells), with repeats, by thinnest patch and rim: (k,
    coats).

    of: the coat of each map, (m,); a combination has one map for each coat, in order. With more
    than three coats, combinations of three are summed on a share of `base`.
    """
    upto = min(coats, 3)
    if of is None:
        sets = np.array(list(combinations_with_replacement(range(len(maps)), upto)))
    else:
        sets = np.array(list(product(*(np.flatnonzero(of == k) for k in _three_of(coats)))))
    value = score(*_lowest(grid, maps, sets, base * upto / coats))
    return np.asarray(sets[np.argsort(-value, kind="stable")])


def _three_of(coats: int) -> list[int]:
    """Return the first coat, the one in the middle and the last."""
    return sorted({0, coats // 2, coats - 1})


def combinations(
    grid: Grid,
    maps: Array,
    coats: int,
    best: int,
    base: Array,
    strain: Strain | None = None,
    of: NDArray[np.int64] | None = None,
) -> list[tuple[int, ...]]:
    """Return the best index tuples of maps (m, cells) on top of `base` (cells,), with repeats.

    With up to three coats every combination is summed; with more, coordinate exchange starts from
    the best three. strain: the cost of bad days counts for the leaders too. of: see `best_sums`.
    """
    # The 5th percentile and the bad days count too, but only among the leaders.
    sets = best_sums(grid, maps, coats, base, of)[: max(30 * best, 500)]
    share = sets.shape[1] / coats  # of the base that these coats stand on
    rated = np.concatenate(
        [
            rate(grid, maps[sets[k : k + 512]].sum(axis=1) + base * share)
            for k in range(0, len(sets), 512)
        ]
    )
    if strain is not None:
        rated = rated - strain.cost(sets, share)
    leaders = [tuple(int(i) for i in sets[j]) for j in np.argsort(-rated, kind="stable")[:best]]
    if coats > 3:
        leaders = [_exchange(grid, maps, _start(one, coats, of), base, of) for one in leaders]
    return list(dict.fromkeys(leaders))


def _start(three: tuple[int, ...], coats: int, of: NDArray[np.int64] | None) -> tuple[int, ...]:
    """Return a combination of all coats to start from: these three, and the first map of each other
    coat."""
    if of is None:
        return (three * coats)[:coats]
    start = [int(np.flatnonzero(of == k)[0]) for k in range(coats)]
    for k, chosen in zip(_three_of(coats), three, strict=True):
        start[k] = chosen
    return tuple(start)


def _exchange(
    grid: Grid,
    maps: Array,
    start: tuple[int, ...],
    base: Array,
    of: NDArray[np.int64] | None,
) -> tuple[int, ...]:
    """Exchange the map of one coat at a time for the best, until no exchange helps."""
    chosen, value, anyone = list(start), -np.inf, np.arange(len(maps))
    while True:
        for position in range(len(chosen)):
            allowed = anyone if of is None else np.flatnonzero(of == position)
            rest = base + maps[chosen].sum(axis=0) - maps[chosen[position]]
            rated = rate(grid, rest + maps[allowed])
            chosen[position] = int(allowed[rated.argmax()])
        if rated.max() <= value + 1e-9:
            return tuple(sorted(chosen)) if of is None else tuple(chosen)
        value = float(rated.max())


@dataclass(frozen=True, eq=False)
class Mixture:
    """Best mixture of the maps. lowest: its thinnest patch over the mean. prices (cells,): the
    value of resin in each patch, with sum 1. shares (maps,): the share of each map."""

    lowest: float
    prices: Array
    shares: Array


def mixture(grid: Grid, maps: Array, coats: int, base: Array) -> Mixture:
    """Solve a linear programme (HiGHS): the largest t with base + sum_k w_k map_k >= t in every
    patch, w >= 0, and the sum of the weights equal to the number of coats. No combination of coats
    of any thickness exceeds it.

    Its dual prices are high where the mixture is thin. A new map helps exactly if it is thicker
    there, at these prices, than the mixture (column generation; Gilmore and Gomory 1961).
    """
    weight = grid.weights.area / grid.weights.area.sum()
    one = float(maps[0] @ weight)
    patches = grid.weights.patch_means(maps.T)
    under = grid.weights.patch_means(base)
    cells, count = patches.shape
    laid = float(base @ weight) / one
    found = linprog(
        np.append(np.zeros(count), -1.0),
        A_ub=np.hstack([-patches, np.full((cells, 1), one)]) / one,
        b_ub=under / one,
        A_eq=np.append(np.ones(count), 0.0)[None],
        b_eq=[coats],
        bounds=[(0, None)] * count + [(None, None)],
        method="highs",
    )
    if found.x is None:
        raise NotConverged(f"the best mixture of coats ({found.message})", np.nan, found.nit)
    return Mixture(
        -float(found.fun or 0.0) / (coats + laid),
        -found.ineqlin.marginals,
        np.asarray(found.x[:-1]),
    )


def worth(grid: Grid, days: Array) -> float:
    lowest = measures(grid, days)[0]
    return float(rate(grid, days[:1])[0] - day_cost(lowest[0], lowest.min()))
