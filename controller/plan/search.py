"""Coats planned together: the thick places of one fall on the thin places of the others.

Maps of single coats add up, so a library of them is enough: all combinations are summed and scored
at once, the best are varied a few times, those that stay good on a bad day are chosen, and the
chosen ones are computed again on finer meshes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from controller.film import Numerics, WallStatistics
from controller.mould import Cavity
from controller.plan.recipe import Recipe, within_limits
from controller.plan.walls import (
    AS_PLANNED,
    BAD_DAYS,
    COARSE,
    FINE,
    Day,
    Grid,
    Pour,
    Walls,
    mesh_mm_for,
)

Array = NDArray[np.float64]

RIM_SLACK = 0.06  # the rim may differ from the mean by this much at no cost
RIM_COST = 3.0
LOW_WEIGHT = 0.1  # of the 5th percentile beside the thinnest patch
LEADERS = 60  # combinations looked at closely
BASELINE = Recipe(ratio=4.0, spread_share=0.08)


@dataclass(frozen=True)
class Effort:
    """How much is computed. Counts, not seconds, so that a seed gives one plan anywhere."""

    search_cells: int
    library: int
    rounds: int
    lanes: int  # recipes a round
    shortlist: int  # recipes that go on to the finer mesh
    fine_rounds: int  # of neighbours there
    finalists: int
    days: tuple[Day, ...]
    check_mm: float  # the mesh that decides, and whose wall is reported
    check_cells: int  # never more than about so many on it


FULL = Effort(900, 48, 1, 16, 31, 1, 3, BAD_DAYS, 4.8, 6000)
QUICK = Effort(350, 16, 0, 16, 3, 0, 1, (), 8.0, 700)
QUICK_BELOW_S = 30.0  # a budget below this gets the quick search


@dataclass
class Found:
    """What the search has so far. Films in metres on `grid`; figures over the mean."""

    recipes: tuple[Recipe, ...] = ()
    grid: Grid | None = None
    statistics: WallStatistics | None = None
    coats_m: Array = field(default_factory=lambda: np.zeros((0, 0)))
    mesh_error: float | None = None  # of min/mean, between the last two meshes
    worst_min: float | None = None
    worst_days: tuple[Day, ...] = ()  # worst first
    bound: float | None = None  # best min/mean any mixture of the maps could have
    baseline_recipe: Recipe = BASELINE
    baseline_m: Array = field(default_factory=lambda: np.zeros(0))  # one coat
    baseline: dict[str, float] = field(default_factory=dict)
    tried: int = 0
    history: list[tuple[int, float]] = field(default_factory=list)  # (recipes tried, score)
    complete: bool = False


class OutOfTime(Exception):
    """The budget is spent: keep the best."""


def library(pour: Pour, count: int) -> list[Recipe]:
    """Recipes that differ where it helps: opposite biases, a late rim leg, reversed, minor-fast.

    The first four are the baseline: 4:1 at four speeds.
    """
    top = 0.95 * pour.rig.rate_limit_rpm
    speeds = [top * s for s in (0.45, 0.6, 0.8, 1.0)]
    fast, mid, slow = 0.8 * top, 0.6 * top, 0.45 * top
    found = [replace(BASELINE, level_rpm=s) for s in speeds]
    golden = 2.618
    plain = [
        Recipe(level_rpm=fast, ratio=0.382, bias=-0.03, reverse=True),
        Recipe(level_rpm=fast, ratio=golden, reverse=True),
        Recipe(level_rpm=mid, ratio=golden, bias=-0.03),
        Recipe(level_rpm=fast, ratio=golden, bias=0.012),
        Recipe(level_rpm=fast, ratio=golden, bias=-0.02, reverse=True),
        Recipe(level_rpm=fast, ratio=1.618, reverse=True),
        Recipe(level_rpm=mid, ratio=golden, bias=0.015, reverse=True),
        Recipe(level_rpm=fast, ratio=0.382, bias=0.012),
        Recipe(level_rpm=mid, ratio=3.618, bias=0.035, rim_bias=-0.2),
        Recipe(level_rpm=top, ratio=golden),
        Recipe(level_rpm=mid, ratio=golden, reverse=True),
        Recipe(level_rpm=fast, ratio=golden, bias=0.03, rim_bias=-0.25),
    ]
    more = [
        Recipe(level_rpm=s, ratio=golden, bias=b, reverse=v)
        for s, biases in ((mid, (0.02, 0.0, -0.05)), (fast, (0.006, -0.01)), (slow, (0.0, -0.05)))
        for b in biases
        for v in (False, True)
    ] + [
        Recipe(level_rpm=s, ratio=0.382, bias=b, reverse=v)
        for b in (-0.05, -0.1, 0.0, 0.02)
        for s in (fast, mid)
        for v in (False, True)
    ]
    more += [Recipe(level_rpm=fast, ratio=r, bias=b) for r in (5.24, 1.618) for b in (0.008, -0.02)]
    for recipe in (*plain, *more):
        if recipe not in found and within_limits(recipe, pour.clock, pour.rig):
            found.append(recipe)
    return found[:count]


def vary(recipe: Recipe, pour: Pour, rng: np.random.Generator) -> Recipe:
    """A neighbour of a recipe that the rig can follow."""
    top = pour.rig.rate_limit_rpm
    for _ in range(50):
        turn = rng.uniform(size=6) < 0.5
        step = rng.normal(size=6)
        new = recipe
        if turn[0]:
            new = replace(new, level_rpm=float(np.clip(new.level_rpm * 1.15 ** step[0], 2, top)))
        if turn[1]:
            new = replace(new, bias=float(np.clip(new.bias + 0.01 * step[1], -0.15, 0.15)))
        if turn[2]:
            rim = float(np.clip(new.rim_bias - 0.1 + 0.1 * step[2], -0.35, 0.0))
            new = replace(new, rim_bias=rim, rim_from=float(rng.uniform(0.45, 0.75)))
        if turn[3]:
            new = replace(new, ratio=float(np.clip(new.ratio * 1.25 ** step[3], 0.15, 7.0)))
        if turn[4]:
            new = replace(new, reverse=not new.reverse, spread_rpm=float(rng.uniform(2, 6)))
        if turn[5]:
            new = replace(new, start_minor_deg=float(rng.uniform(0, 360)))
        if new != recipe and within_limits(new, pour.clock, pour.rig):
            return new
    return recipe


def score(lowest: Array, rim: Array) -> Array:
    """Thinnest patch over the mean, less what a rim too thin or too thick costs."""
    if np.isnan(rim).any():
        return lowest
    return np.asarray(lowest - RIM_COST * np.maximum(np.abs(rim - 1.0) - RIM_SLACK, 0.0))


def measures(grid: Grid, sums: Array) -> tuple[Array, Array, Array]:
    """Of films (k, cells), over their mean: thinnest patch, 5th percentile of patches, rim."""
    mean = sums @ grid.weights.area / grid.weights.area.sum()
    patches = grid.weights.patch_means(sums.T).T
    rim = np.full(len(sums), np.nan)
    if grid.weights.rim is not None:
        rim = sums @ grid.weights.rim / mean
    low = np.quantile(patches, 0.05, axis=1) / mean
    return patches.min(axis=1) / mean, low, rim


def rate(grid: Grid, sums: Array) -> Array:
    """Scores of total films, (k,)."""
    lowest, low, rim = measures(grid, sums)
    return score(lowest + LOW_WEIGHT * (low - 1.0), rim)


def combinations(
    grid: Grid, maps: Array, coats: int, best: int, base: Array
) -> list[tuple[int, ...]]:
    """The best index tuples of maps (m, cells) on top of `base` (cells,), repeats allowed.

    Up to three coats every combination is summed; beyond, coordinate exchange from the best three.
    """
    weight = grid.weights.area / grid.weights.area.sum()
    upto = min(coats, 3)
    share = upto / coats  # of the base, so that a part of the coats is judged with its part of it
    mean = float(maps[0] @ weight) * upto + float(base @ weight) * share
    patches = (grid.weights.patch_means(maps.T).T / mean).astype(np.float32)
    under = (grid.weights.patch_means(base) * share / mean).astype(np.float32)
    sets = np.array(list(combinations_with_replacement(range(len(maps)), upto)))
    lowest = np.empty(len(sets))
    for k in range(0, len(sets), 8192):
        part = sets[k : k + 8192]
        total = under + patches[part[:, 0]]
        for column in range(1, upto):
            total += patches[part[:, column]]
        lowest[k : k + 8192] = total.min(axis=1)
    rim = np.full(len(sets), np.nan)
    if grid.weights.rim is not None:
        rim = (maps @ grid.weights.rim)[sets].sum(axis=1) + base @ grid.weights.rim * share
        rim = rim / mean
    order = np.argsort(-score(lowest, rim), kind="stable")[: 40 * best]
    # The 5th percentile counts too, but only among the leaders.
    rated = rate(grid, maps[sets[order]].sum(axis=1) + base * share)
    leaders = [tuple(int(i) for i in sets[order[j]]) for j in np.argsort(-rated, kind="stable")]
    leaders = leaders[:best]
    if coats > 3:
        leaders = [_exchange(grid, maps, (one * coats)[:coats], base) for one in leaders]
    return list(dict.fromkeys(leaders))


def different(leaders: Sequence[tuple[int, ...]], count: int) -> list[tuple[int, ...]]:
    """The first few leaders of which no two share all coats but one, while there are such."""
    chosen = [leaders[0]]
    for leader in leaders[1:]:
        if len(chosen) == count:
            break
        if all(len(set(leader) - set(other)) >= min(2, len(leader)) for other in chosen):
            chosen.append(leader)
    return chosen


def _exchange(grid: Grid, maps: Array, start: tuple[int, ...], base: Array) -> tuple[int, ...]:
    """Change one coat at a time for the best, until none helps."""
    chosen, value = list(start), -np.inf
    while True:
        for position in range(len(chosen)):
            rest = base + maps[chosen].sum(axis=0) - maps[chosen[position]]
            rated = rate(grid, rest + maps)
            chosen[position] = int(rated.argmax())
        if rated.max() <= value + 1e-9:
            return tuple(sorted(chosen))
        value = float(rated.max())


def bound(grid: Grid, maps: Array, coats: int, base: Array) -> float:
    """The best thinnest patch over the mean that any mixture of these maps could have on `base`.

    Linear programme (HiGHS): largest t with base + sum_k w_k map_k >= t in every patch, w >= 0, and
    the weights' sum that of the coats planned. Any number of coats of any sizes stays below it.
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
    return -float(found.fun or 0.0) / (coats + laid)


class Level:
    """One mesh: its films, and what is laid already on it."""

    def __init__(self, search: Search, mesh_mm: float, numerics: Numerics) -> None:
        self.grid = Grid.of(search.cavity, mesh_mm, numerics)
        self.walls = Walls(self.grid, search.pour, search.executor)
        self.base = np.zeros(self.grid.mesh.cells)
        for pour, recipe in search.laid:
            laid = Walls(self.grid, pour, search.executor)
            self.base += laid.of([(recipe, AS_PLANNED)])[0]

    def films(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> Array:
        return self.walls.of([(recipe, day) for recipe in recipes])

    def total(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> Array:
        return np.asarray(self.films(recipes, day).sum(axis=0) + self.base)

    def lowest(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> float:
        """Thinnest patch over the mean."""
        return float(measures(self.grid, self.total(recipes, day)[None])[0][0])


@dataclass
class Search:
    """One search. `laid` are coats already on the wall, which stay as they are.

    spent: asked after every batch of films, whether to stop.
    """

    cavity: Cavity
    pour: Pour
    coats: int
    seed: int
    effort: Effort
    executor: Executor | None
    tell: Callable[[float, str], None]
    spent: Callable[[], bool]
    laid: Sequence[tuple[Pour, Recipe]] = ()
    coarse: Level | None = field(default=None, init=False)

    def run(self) -> Found:
        """Choose the coats' recipes. Ctrl-C and a spent budget keep the best so far.

        Raises KeyboardInterrupt when there is nothing yet.
        """
        self.found, self.done = Found(), 0.0
        self.rng = np.random.default_rng(self.seed)
        effort = self.effort
        self.steps = effort.library / effort.lanes + effort.rounds + 5.0 + 2.0 * effort.fine_rounds
        try:
            self._run()
        except (KeyboardInterrupt, OutOfTime):
            if self.found.statistics is None:
                raise
        return self.found

    def judge(self, recipes: tuple[Recipe, ...]) -> Found:
        """No search: the wall of these recipes, on one mesh."""
        self.found, self.coarse = Found(), None
        self._take(Level(self, self._check_mm(), FINE), recipes)
        return self.found

    def _check_mm(self) -> float:
        return max(self.effort.check_mm, mesh_mm_for(self.cavity.area_cm2, self.effort.check_cells))

    def _run(self) -> None:
        effort, area_cm2 = self.effort, self.cavity.area_cm2
        self.tell(0.0, "turning the first coats")
        self.coarse = coarse = Level(self, mesh_mm_for(area_cm2, effort.search_cells), COARSE)
        shortlist = self._explore(coarse)
        self.fine = Level(self, self._check_mm(), FINE)
        finalists = self._decide(shortlist)
        if effort.days:
            self._endure(coarse, finalists)
        self.found.complete = True

    def _explore(self, level: Level) -> list[Recipe]:
        """The library, then neighbours of what leads: recipes worth a finer mesh."""
        effort = self.effort
        untried = library(self.pour, effort.library)
        pool: list[Recipe] = []
        leaders: list[tuple[int, ...]] = []
        for batch in range(math.ceil(effort.library / effort.lanes) + effort.rounds):
            fresh = untried[batch * effort.lanes : (batch + 1) * effort.lanes]
            pool += fresh or self._neighbours(pool, leaders)
            maps = level.films(pool)
            leaders = combinations(level.grid, maps, self.coats, LEADERS, level.base)
            if batch == 0:
                self._baseline(level, [r for r in pool if replace(r, level_rpm=8.0) == BASELINE])
            self.found.tried = len(pool)
            self._take(level, tuple(pool[i] for i in leaders[0]))
            self._step(1.0)
        wanted = [i for leader in leaders for i in leader]
        alone = np.argsort(-rate(level.grid, maps), kind="stable")
        best_first = list(dict.fromkeys([*wanted, *(int(i) for i in alone)]))
        return [pool[i] for i in best_first[: max(effort.shortlist, len(set(leaders[0])))]]

    def _decide(self, shortlist: list[Recipe]) -> list[tuple[Recipe, ...]]:
        """All combinations again, on the finer mesh: the best, and others unlike it."""
        level, found = self.fine, self.found
        level.films([*shortlist, found.baseline_recipe])
        self._baseline(level, [found.baseline_recipe])
        leaders: list[tuple[int, ...]] = []
        for _ in range(1 + self.effort.fine_rounds):
            if leaders:
                shortlist = [*shortlist, *self._neighbours(shortlist, leaders)]
            maps = level.films(shortlist)
            leaders = combinations(level.grid, maps, self.coats, LEADERS, level.base)
            self._take(level, tuple(shortlist[i] for i in leaders[0]))
            self._step(2.0)
        found.bound = bound(level.grid, maps, self.coats, level.base)
        unlike = different(leaders, self.effort.finalists)
        return [tuple(shortlist[i] for i in leader) for leader in unlike]

    def _neighbours(
        self, pool: Sequence[Recipe], leaders: Sequence[tuple[int, ...]]
    ) -> list[Recipe]:
        """New recipes near those of the leading combinations."""
        parents = list(dict.fromkeys(pool[i] for leader in leaders[:6] for i in leader))
        picks = self.rng.integers(len(parents), size=self.effort.lanes)
        fresh = [vary(parents[int(i)], self.pour, self.rng) for i in picks]
        return [recipe for recipe in dict.fromkeys(fresh) if recipe not in pool]

    def _endure(self, coarse: Level, finalists: list[tuple[Recipe, ...]]) -> None:
        """Of the finalists, that whose worst day is best becomes the plan.

        What a day costs is taken from the coarse mesh; the worst day of the one chosen is then
        computed on the fine mesh too, and the worse of both is reported.
        """
        fine, found = self.fine, self.found
        days = self.effort.days
        coarse.walls.of([(r, d) for one in finalists for r in one for d in (AS_PLANNED, *days)])
        best, best_value = finalists[0], -np.inf
        for one in finalists:
            planned = rate(coarse.grid, coarse.total(one)[None])[0]
            rated = rate(coarse.grid, np.array([coarse.total(one, day) for day in days]))
            value = float(rate(fine.grid, fine.total(one)[None])[0] + min(rated - planned))
            if value > best_value:
                best, best_value = one, value
                found.worst_days = tuple(days[i] for i in np.argsort(rated, kind="stable"))
        self._take(fine, best)
        drop = min(coarse.lowest(best, day) for day in days) / coarse.lowest(best)
        found.worst_min = fine.lowest(best) * min(1.0, drop)
        self._step(2.0)
        found.worst_min = min(found.worst_min, fine.lowest(best, found.worst_days[0]))
        self._step(1.0)

    def _step(self, part: float) -> None:
        self.done += part
        s, grid = self.found.statistics, self.found.grid
        words = "" if s is None else f"thinnest patch {s.min / s.mean:.2f} of the mean"
        mesh = "" if grid is None else f" on {grid.mesh_mm:.1f} mm"
        self.tell(min(self.done / self.steps, 0.99), words + mesh)
        if self.spent():
            raise OutOfTime

    def _take(self, level: Level, recipes: tuple[Recipe, ...]) -> None:
        """Make these the plan, with their films on this mesh: heavy at the bottom first."""
        found = self.found
        found.recipes = tuple(sorted(recipes, key=lambda r: -(r.bias + 0.1 * r.rim_bias)))
        found.coats_m = level.films(found.recipes)
        found.grid = level.grid
        total = level.total(found.recipes)
        found.statistics = level.grid.weights.statistics(total)
        found.history.append((found.tried, float(rate(level.grid, total[None])[0])))
        if self.coarse is not None and level is not self.coarse:
            found.mesh_error = abs(level.lowest(recipes) - self.coarse.lowest(recipes))

    def _baseline(self, level: Level, plain: Sequence[Recipe]) -> None:
        """The speed-tuned 4:1, the same for every coat, tuned for its thinnest patch."""
        films = level.films(plain)
        lowest, low, rim = measures(level.grid, films)
        best = int(lowest.argmax())
        found = self.found
        found.baseline_recipe, found.baseline_m = plain[best], films[best]
        found.baseline = {
            "ratio": BASELINE.ratio,
            "level_rpm": round(plain[best].level_rpm, 2),
            "min_over_mean": round(float(lowest[best]), 4),
            "p05_over_mean": round(float(low[best]), 4),
            "rim_over_mean": round(float(rim[best]), 4),
            "mesh_mm": round(level.grid.mesh_mm, 2),
        }
