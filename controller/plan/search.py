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
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator
from scipy.optimize import linprog

from controller.errors import NotConverged
from controller.film import Numerics, WallStatistics, mesh_error
from controller.mould import Cavity
from controller.plan.polish import Aim, best_move
from controller.plan.recipe import GOLDEN, Recipe, eased, within_limits
from controller.plan.walls import (
    AS_PLANNED,
    BAD_DAYS,
    BATCH,
    COARSE,
    FINE,
    Budget,
    Day,
    Grid,
    OutOfTime,
    Pour,
    Walls,
    mesh_mm_for,
    run_over,
)

Array = NDArray[np.float64]

RIM_SLACK = 0.06  # the rim may differ from the mean by this much at no cost
RIM_COST = 3.0
LOW_WEIGHT = 0.4  # of the 5th percentile beside the thinnest patch
DAY_WEIGHT = 0.5  # of the worst day's thinnest patch beside the one as planned
# A worst day that leaves less than this of the mean costs more; 0.75 is wanted, and another mesh
# may find a little less.
WORST_WANTED, SHORT_COST = 0.78, 2.0
LIKELY = 10  # recipes that are computed on bad days on the finer mesh
TRUST = 1.0  # steps in SPACE by which a bias may be polished at first
NUDGE = 0.35  # of a step in SPACE: small enough for the film to answer in proportion
LEADERS = 60  # combinations looked at closely
COMBINED = 48  # recipes of which all combinations are summed
STRAINED = 16  # of these, those whose bad days are computed too
IDEAS = 300  # recipes whose worth is guessed for every few that are computed, of each kind
NEAR, BESIDE = 0.25, 0.05  # in `features`: what is less far apart is the same idea
SPILL_ROUNDS = 3
MOST_IN_VAIN = 20  # drawn recipes beyond the rig, for each that is wanted
LEAST_CELLS = 550  # of the mesh that decides
BASELINE = Recipe(ratio=4.0, spread_share=0.08)


@dataclass(frozen=True)
class Effort:
    """How much is computed. Counts, not seconds, so that a seed gives one plan anywhere."""

    search_mm: float  # the mesh on which recipes are tried ...
    search_cells: int  # ... and never more than about so many cells on it
    rounds: int
    lanes: int  # recipes a round
    shortlist: int  # recipes that go on to the finer mesh
    finalists: int
    polishes: int
    days: tuple[Day, ...]
    check_mm: float  # the mesh that decides, and whose wall is reported
    check_cells: int


# Sums of lanes are multiples of two kernels' sixteen: a lane left idle costs as much as a busy one.
FULL = Effort(6.0, 1500, 3, 32, 29, 2, 3, BAD_DAYS, 4.95, 3000)
QUICK = Effort(8.0, 500, 2, 16, 3, 1, 0, (), 7.0, 1000)
QUICK_BELOW_S = 30.0  # a budget below this gets the quick search


@dataclass
class Found:
    """What the search has so far. Films in metres on `grid`; figures over the mean."""

    recipes: tuple[Recipe, ...] = ()
    grid: Grid | None = None
    statistics: WallStatistics | None = None
    coats_m: Array = field(default_factory=lambda: np.zeros((0, 0)))
    base_m: Array = field(default_factory=lambda: np.zeros(0))  # what was laid before them
    spilt_m3: Array | None = None  # of each coat, over an open mouth
    mesh_error: float | None = None  # of min/mean, what the last mesh leaves open
    worst_min: float | None = None
    worst_days: tuple[Day, ...] = ()  # worst first
    bound: float | None = None  # best min/mean any mixture of the maps could have
    baseline_recipe: Recipe = BASELINE
    baseline_m: Array = field(default_factory=lambda: np.zeros(0))  # one coat
    baseline: dict[str, float] = field(default_factory=dict)
    tried: int = 0
    history: list[tuple[int, float]] = field(default_factory=list)  # (recipes tried, score)
    complete: bool = False
    interrupted: bool = False  # by a person, not by the budget


# Gels early or late, ripple from the rim: the ones that differ most. Early is not late the other
# way round: a late leg that is to be levelled out again may meet the gel.
SCREEN = (BAD_DAYS[2], BAD_DAYS[3], BAD_DAYS[5])

# What a recipe may be: where it is drawn from, (low, high), and what one step of a change is.
SPACE = {
    "ratio": (0.2, 7.0, 0.22),  # these two in logs
    "level_rpm": (2.5, 20.0, 0.2),
    "bias": (-0.15, 0.15, 0.015),
    "dwell": (0.0, 0.5, 0.1),
    "rim_bias": (-0.5, 0.5, 0.08),
    "rim_from": (0.35, 0.85, 0.05),
    "rim_share": (0.05, 0.25, 0.03),
    "spread_rpm": (2.0, 6.0, 0.6),
    "spread_share": (0.05, 0.4, 0.05),
}
LOGS = ("ratio", "level_rpm")


def first_recipes(pour: Pour, rng: np.random.Generator, count: int) -> list[Recipe]:
    """The baseline, 4:1 at four speeds; some that are often good; then drawn ones."""
    top = 0.95 * pour.rig.rate_limit_rpm
    plain = eased(BASELINE, pour.clock(BASELINE), pour.rig)
    found = [replace(plain, level_rpm=top * s) for s in (0.45, 0.6, 0.8, 1.0)]
    fast, mid, slow, golden = 0.8 * top, 0.6 * top, 0.22 * top, 2.618
    often = [
        Recipe(level_rpm=fast, ratio=golden, reverse=True),
        Recipe(level_rpm=fast, ratio=golden, bias=0.012),
        Recipe(level_rpm=fast, ratio=golden, bias=-0.01, reverse=True),
        Recipe(level_rpm=fast, ratio=golden, bias=0.03, rim_bias=-0.25),
        Recipe(level_rpm=fast, ratio=GOLDEN, reverse=True),
        Recipe(level_rpm=fast, ratio=5.24, bias=0.008),
        Recipe(level_rpm=mid, ratio=3.618, bias=0.035, rim_bias=-0.2),
        Recipe(level_rpm=mid, ratio=0.382, bias=0.02, reverse=True),
        Recipe(level_rpm=mid, ratio=0.382, bias=-0.05, reverse=True),
        Recipe(level_rpm=slow, ratio=1.2, rim_bias=0.15, reverse=True),
    ]
    for k, recipe in enumerate(often):  # every other one poured as late as it may be
        one = replace(recipe, stand=(k % 2) * (len(pour.times) - 1))
        if within_limits(one, pour.clock(one), pour.rig):
            found.append(one)
    return [*found, *draw(pour, rng, count - len(found))][:count]


def draw(pour: Pour, rng: np.random.Generator, count: int) -> list[Recipe]:
    """Recipes from all of the space that the rig can follow: slow and fast, simple and wild."""
    found: list[Recipe] = []
    top, in_vain = pour.rig.rate_limit_rpm, 0
    while len(found) < count:
        values = {name: float(rng.uniform(low, high)) for name, (low, high, _) in SPACE.items()}
        low, high, _ = SPACE["ratio"]
        values["ratio"] = math.exp(rng.uniform(math.log(low), math.log(high)))
        low = min(SPACE["level_rpm"][0], 0.5 * top)
        values["level_rpm"] = math.exp(rng.uniform(math.log(low), math.log(0.97 * top)))
        # Most walls want little bias and no dwell.
        values["bias"] *= float(rng.uniform())
        plain, even = rng.uniform(size=2) < (0.35, 0.5)
        values["rim_bias"] *= 0.0 if plain else 1.0
        values["dwell"] *= 0.0 if even else 1.0
        one = Recipe(
            **values,
            reverse=bool(rng.uniform() < 0.5),
            start_minor_deg=float(rng.uniform(0, 360)),
            stand=int(rng.integers(len(pour.times))),
        )
        if in_vain > MOST_IN_VAIN * count:  # a rig that follows hardly any law
            one = eased(one, pour.clock(one), pour.rig)
        if within_limits(one, pour.clock(one), pour.rig):
            found.append(one)
        else:
            in_vain += 1
    return found


def vary(recipe: Recipe, pour: Pour, rng: np.random.Generator) -> Recipe:
    """A neighbour of a recipe that the rig can follow, nearer or farther."""
    size = math.exp(rng.uniform(math.log(0.2), 0.0))
    for _ in range(50):
        new = recipe
        for name in SPACE:
            if rng.uniform() < 0.6:
                continue
            new = moved(new, {name: size * float(rng.normal())}, pour)
        if rng.uniform() < 0.15:
            new = replace(new, reverse=not new.reverse)
        if rng.uniform() < 0.15:
            new = replace(new, start_minor_deg=float(rng.uniform(0, 360)))
        if rng.uniform() < 0.15:
            new = replace(new, stand=int(rng.integers(len(pour.times))))
        if new != recipe and within_limits(new, pour.clock(new), pour.rig):
            return new
    return recipe


def moved(recipe: Recipe, steps: dict[str, float], pour: Pour) -> Recipe:
    """The recipe, some of its numbers moved by so many of their steps and kept in their range."""
    changes: dict[str, Any] = {}
    for name, amount in steps.items():
        low, high, step = SPACE[name]
        high = pour.rig.rate_limit_rpm if name == "level_rpm" else high
        value, change = getattr(recipe, name), amount * step
        value = value * math.exp(change) if name in LOGS else value + change
        changes[name] = float(np.clip(value, low, high))
    return replace(recipe, **changes)


def features(recipes: Sequence[Recipe]) -> Array:
    """Recipes as points (n, 13) in which neighbours turn alike."""
    rows = []
    for one in recipes:
        row = []
        for name, (low, high, _) in SPACE.items():
            ends = np.array([low, high, getattr(one, name)])
            low, high, value = np.log(ends) if name in LOGS else ends
            row.append((value - low) / (high - low))
        angle = math.radians(one.start_minor_deg)
        ways = [float(one.reverse), 0.3 * one.stand]
        rows.append([*row, *ways, 0.2 * math.cos(angle), 0.2 * math.sin(angle)])
    return np.array(rows)


def score(lowest: Array, rim: Array) -> Array:
    """Thinnest patch over the mean, less what a rim too thin or too thick costs."""
    if np.isnan(rim).any():
        return lowest
    return np.asarray(lowest - RIM_COST * np.maximum(np.abs(rim - 1.0) - RIM_SLACK, 0.0))


def day_cost(planned: Array, worst: Array) -> Array:
    """What a worst day takes from the score, of the thinnest patch as planned and then."""
    return np.asarray(
        DAY_WEIGHT * (planned - worst) + SHORT_COST * np.maximum(WORST_WANTED - worst, 0.0)
    )


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


@dataclass(frozen=True, eq=False)
class Strain:
    """What bad days make of maps: maps (1 + days, m, cells), the first as planned, on `grid`."""

    grid: Grid
    maps: Array
    base: Array

    def cost(self, sets: NDArray[np.int64], share: float) -> Array:
        """What the worst day of each set (k, coats) takes from its score, (k,). A rim that is off
        for a day costs nothing: what it leaves thin is a thin patch."""
        lowest = np.array(
            [_lowest(self.grid, maps, sets, self.base * share)[0] for maps in self.maps]
        )
        return np.asarray(day_cost(lowest[0], lowest.min(axis=0)))


def _lowest(grid: Grid, maps: Array, sets: NDArray[np.int64], under: Array) -> tuple[Array, Array]:
    """Of the sums of these maps over `under`: thinnest patch and rim, over the mean, each (k,)."""
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


def best_sums(grid: Grid, maps: Array, coats: int, base: Array) -> NDArray[np.int64]:
    """Every combination of maps (m, cells), repeats allowed, by thinnest patch and rim: (k, coats).

    Of more than three coats, the combinations of three on a share of `base`.
    """
    upto = min(coats, 3)
    sets = np.array(list(combinations_with_replacement(range(len(maps)), upto)))
    value = score(*_lowest(grid, maps, sets, base * upto / coats))
    return np.asarray(sets[np.argsort(-value, kind="stable")])


def combinations(
    grid: Grid, maps: Array, coats: int, best: int, base: Array, strain: Strain | None = None
) -> list[tuple[int, ...]]:
    """The best index tuples of maps (m, cells) on top of `base` (cells,), repeats allowed.

    Up to three coats every combination is summed; beyond, coordinate exchange from the best three.
    strain: what bad days take from the leaders counts too.
    """
    # The 5th percentile and the bad days count too, but only among the leaders.
    sets = best_sums(grid, maps, coats, base)[: max(30 * best, 500)]
    share = sets.shape[1] / coats  # of the base, so that some of the coats are judged with theirs
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
        leaders = [_exchange(grid, maps, (one * coats)[:coats], base) for one in leaders]
    return list(dict.fromkeys(leaders))


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


@dataclass(frozen=True, eq=False)
class Mixture:
    """The best that any mixture of the maps can do. `lowest`: its thinnest patch over the mean;
    prices (cells,): what resin in each patch is worth, sum 1; shares (maps,): of each map."""

    lowest: float
    prices: Array
    shares: Array


def mixture(grid: Grid, maps: Array, coats: int, base: Array) -> Mixture:
    """Linear programme (HiGHS): largest t with base + sum_k w_k map_k >= t in every patch, w >= 0,
    and the weights' sum that of the coats planned. Any number of coats of any sizes stays below it.

    Its dual prices are high where the mixture is thin: a new map helps exactly if it is thicker
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


class Level:
    """One mesh: its films, and what is laid already on it."""

    def __init__(self, search: Search, mesh_mm: float, numerics: Numerics) -> None:
        self.grid = Grid.of(search.cavity, mesh_mm, numerics)
        self.walls = Walls(self.grid, search.pour, search.executor, search.budget)
        self.base = np.zeros(self.grid.mesh.cells)
        for pour, recipe in search.laid:
            laid = Walls(self.grid, pour, search.executor, search.budget)
            self.base += laid.of([(recipe, AS_PLANNED)])[0]

    def films(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> Array:
        found = self.walls.of([(recipe, day) for recipe in recipes])
        if not self.walls.pour.open:
            return found
        # Of each, more or less runs over: they are compared as if the same had stayed.
        area = self.grid.weights.area
        return np.asarray(found * (self.walls.pour.mean_m * area.sum() / (found @ area))[:, None])

    def strained(self, recipes: Sequence[Recipe]) -> Array:
        """Films (5, recipes, cells): as planned, on three bad days, and, as if it were linear, on
        the opposite of the last."""
        days = (AS_PLANNED, *SCREEN)
        self.walls.of([(recipe, day) for recipe in recipes for day in days])
        planned, *bad = (self.films(recipes, day) for day in days)
        return np.array([planned, *bad, np.maximum(2.0 * planned - bad[-1], 0.0)])

    def total(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> Array:
        return np.asarray(self.films(recipes, day).sum(axis=0) + self.base)

    def lowest(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> float:
        """Thinnest patch over the mean."""
        return float(measures(self.grid, self.total(recipes, day)[None])[0][0])


@dataclass
class Search:
    """One search. `laid` are coats already on the wall, which stay as they are; `known` recipes
    are tried before all others."""

    cavity: Cavity
    pour: Pour
    coats: int
    seed: int
    effort: Effort
    executor: Executor | None
    tell: Callable[[float, str], None]
    budget: Budget
    laid: Sequence[tuple[Pour, Recipe]] = ()
    known: tuple[Recipe, ...] = ()

    def __post_init__(self) -> None:
        self.found, self.done = Found(), 0.0
        self.rng = np.random.default_rng(self.seed)
        self.coarse: Level | None = None
        effort = self.effort
        self.steps = effort.rounds + 2.0 + (2.0 + effort.polishes) * bool(effort.days)

    def run(self) -> Found:
        """Choose the coats' recipes. Ctrl-C and a spent budget keep the best so far.

        Raises KeyboardInterrupt or OutOfTime when there is nothing yet.
        """
        try:
            self._run()
        except (KeyboardInterrupt, OutOfTime) as why:
            if not self.found.recipes:
                raise
            self.found.interrupted = isinstance(why, KeyboardInterrupt)
        return self._settled()

    def _settled(self) -> Found:
        """What was found; of an open mould, with what really stays and runs over."""
        found, grid = self.found, self.found.grid
        if self.pour.open and grid is not None:
            found.coats_m, found.spilt_m3 = run_over(grid, self.pour, found.recipes, SPILL_ROUNDS)
            base = found.base_m
            found.statistics = grid.weights.statistics(found.coats_m.sum(axis=0) + base)
        return found

    def judge(self, recipes: tuple[Recipe, ...]) -> Found:
        """No search: the wall of these recipes, on one mesh."""
        self._take(Level(self, self._mesh_mm(False), FINE), recipes)
        return self._settled()

    def _mesh_mm(self, coarse: bool) -> float:
        effort, area_cm2 = self.effort, self.cavity.area_cm2
        if coarse:
            return max(effort.search_mm, mesh_mm_for(area_cm2, effort.search_cells))
        # A small mould needs a finer mesh to have cells enough.
        most, least = (mesh_mm_for(area_cm2, n) for n in (LEAST_CELLS, effort.check_cells))
        return max(min(effort.check_mm, most), least)

    def _run(self) -> None:
        self.tell(0.0, "turning the first coats")
        self.coarse = Level(self, self._mesh_mm(True), COARSE)
        shortlist = self._explore(self.coarse)
        self.fine = Level(self, self._mesh_mm(False), FINE)
        likely = self._decide(shortlist)
        if self.effort.days:
            self._endure(likely)
        self.found.complete = True

    def _explore(self, level: Level) -> list[Recipe]:
        """Drawn recipes, then more and more such as lay resin where the best mixture is thin."""
        effort, pool = self.effort, Pool()
        for number in range(effort.rounds):
            if number == 0:
                before = list(dict.fromkeys(self.known))
                drawn = first_recipes(self.pour, self.rng, effort.lanes - len(before))
                fresh = [*before, *drawn]
            elif self.budget.covers(level.walls.work(effort.lanes) + self._decision()):
                fresh = self._next(pool, effort.lanes)
            else:
                break  # what is left goes to the finer mesh
            rough = level if effort.days else None
            if number == 0:
                pool.add(level, fresh, self.coats, None)
                self._take(level, pool.named(pool.leaders[0]))  # something to fall back on
                fresh = []
            pool.add(level, fresh, self.coats, rough)
            if number == 0:
                plain = eased(BASELINE, self.pour.clock(BASELINE), self.pour.rig)
                like = [replace(r, level_rpm=plain.level_rpm) == plain for r in pool.recipes]
                alike = [r for r, same in zip(pool.recipes, like, strict=True) if same]
                self._baseline(level, alike)
            self.found.tried = len(pool.recipes)
            self._take(level, pool.named(pool.leaders[0]))
            self._step(1.0)
        return pool.best_first(level)[: max(effort.shortlist, self.coats)]

    def _decision(self) -> float:
        """Work of the finer mesh, at the least."""
        cells = self.cavity.area_cm2 * 100.0 / (0.866 * self._mesh_mm(False) ** 2)
        return float(max(self.effort.shortlist, BATCH) * cells**1.5)

    def _decide(self, shortlist: list[Recipe]) -> list[Recipe]:
        """All combinations again, on the finer mesh: the recipes of the best."""
        level, found, pool = self.fine, self.found, Pool()
        rough = self.coarse if self.effort.days else None
        speeds = self._speeds(level)
        level.films([*shortlist, *speeds])
        pool.add(level, shortlist, self.coats, rough)
        self._take(level, pool.named(pool.leaders[0]))
        self._baseline(level, speeds)
        self._step(2.0)
        found.bound = pool.mixed.lowest
        return pool.best_first(level)[: max(LIKELY, self.coats)]

    def _speeds(self, level: Level) -> list[Recipe]:
        """The baseline at the speed that was best on the coarse mesh, and beside it."""
        if level is self.coarse or not self.effort.days:
            return [self.found.baseline_recipe]
        best = self.found.baseline_recipe
        top = 0.95 * self.pour.rig.rate_limit_rpm
        around = {min(top, best.level_rpm * factor) for factor in (0.8, 1.0, 1.25)}
        return [replace(best, level_rpm=speed) for speed in sorted(around)]

    def _next(self, pool: Pool, count: int) -> list[Recipe]:
        """New recipes, by what their neighbours left: a quarter such as should be thick where the
        mixture is thin, the others such as should better a leading combination in place of one of
        its coats."""
        pour, rng = self.pour, self.rng
        support = [pool.recipes[int(i)] for i in np.argsort(-pool.mixed.shares)[:8]]
        parents = list(dict.fromkeys(pool.recipes[i] for one in pool.leaders[:6] for i in one))
        ideas = draw(pour, rng, IDEAS)
        for some in (support, parents):
            ideas += [vary(some[k % len(some)], pour, rng) for k in range(IDEAS)]
        films = RBFInterpolator(
            features(pool.recipes), pool.seen, kernel="linear", smoothing=1e-3, degree=0
        )(features(ideas))
        priced = np.argsort(-(films[:, :-1] @ pool.mixed.prices), kind="stable")
        better = np.argsort(-pool.bettered_by(films), kind="stable")
        chosen = [
            *apart([ideas[int(i)] for i in priced], count // 4, NEAR),
            *apart([ideas[int(i)] for i in better], count - count // 4, BESIDE),
        ]
        return [recipe for recipe in dict.fromkeys(chosen) if recipe not in pool.recipes]

    def _endure(self, likely: list[Recipe]) -> None:
        """The best plan of these recipes when the bad days count, polished."""
        found = self._outlooks(self._crossed(likely), nudged=True)
        best, trust = max(found, key=lambda one: one.worth), TRUST
        self._endured(best)
        self._step(2.0)
        moves = [(one, one.best_move(trust)) for one in found if one.knobs]
        if not moves:  # a rig that follows no bias
            return
        ahead, move = max(moves, key=lambda pair: pair[0].promised(pair[1]))
        for left in reversed(range(self.effort.polishes)):
            (new,) = self._outlooks([ahead.moved(move, self.pour)], nudged=left > 0)
            if new.worth > best.worth:
                best, trust = new, 1.6 * trust
                self._endured(best)
            else:
                trust *= 0.5
            self._step(1.0)
            if left:
                ahead, move = best, best.best_move(trust)

    def _crossed(self, likely: list[Recipe]) -> list[tuple[Recipe, ...]]:
        """The finalists: what these recipes make, by their films on the finer mesh on those days
        that differ most. What the coarse one says of bad days only names the recipes."""
        level = self.fine
        strained = level.strained(likely)
        strain = Strain(level.grid, strained, level.base)
        found = combinations(level.grid, strained[0], self.coats, LEADERS, level.base, strain)
        return [tuple(likely[i] for i in one) for one in found[: self.effort.finalists]]

    def _outlooks(self, plans: Sequence[tuple[Recipe, ...]], nudged: bool) -> list[Outlook]:
        """What these plans are on every day and, nudged, what their biases change; all films at
        once. The coarse mesh's too, so that no spent budget comes between a plan and what is told
        of it."""
        if self.coarse is not None:
            self.coarse.films([recipe for one in plans for recipe in one])
        days = (AS_PLANNED, *self.effort.days)
        knobs = [self._knobs(one) if nudged else [] for one in plans]
        wanted = [
            (recipe, day)
            for one, some in zip(plans, knobs, strict=True)
            for recipe in one
            for day in days
            if not (some and day.ripple)
        ]
        turning = [day for day in days if day is AS_PLANNED or day.gel != 1.0]
        wanted += [(knob.nudged, day) for some in knobs for knob in some for day in turning]
        self.fine.walls.of(wanted)
        return [
            Outlook.of(self.fine, one, some, days) for one, some in zip(plans, knobs, strict=True)
        ]

    def _endured(self, plan: Outlook) -> None:
        """Make this the plan, with what the bad days make of it."""
        found, days = self.found, self.effort.days
        self._take(self.fine, plan.recipes)
        lowest = measures(self.fine.grid, plan.days)[0]
        order = sorted(range(len(days)), key=lambda k: lowest[1 + k])
        found.worst_days = tuple(days[k] for k in order)
        found.worst_min = float(lowest.min())

    def _knobs(self, recipes: tuple[Recipe, ...]) -> list[Knob]:
        """What of these coats the film answers in proportion: their biases. Speeds, ratios and
        times move the phase at which a leg begins, and it answers those by leaps."""
        found = []
        for k, recipe in enumerate(recipes):
            for name in ("bias", "rim_bias") if recipe.rim_bias else ("bias",):
                for amount in (NUDGE, -NUDGE):
                    nudged = moved(recipe, {name: amount}, self.pour)
                    clock = self.pour.clock(nudged)
                    if nudged != recipe and within_limits(nudged, clock, self.pour.rig):
                        found.append(Knob(k, name, amount, nudged))
                        break
        return found

    def _step(self, part: float) -> None:
        self.done += part
        s, grid = self.found.statistics, self.found.grid
        words = "" if s is None else f"thinnest patch {s.min / s.mean:.2f} of the mean"
        mesh = "" if grid is None else f" on {grid.mesh_mm:.1f} mm"
        self.tell(min(self.done / self.steps, 0.99), words + mesh)

    def _take(self, level: Level, recipes: tuple[Recipe, ...]) -> None:
        """Make these the plan, with their films on this mesh: heavy at the bottom first."""
        found = self.found
        found.recipes = tuple(sorted(recipes, key=lambda r: -(r.bias + 0.1 * r.rim_bias)))
        found.coats_m, found.base_m = level.films(found.recipes), level.base
        found.grid = level.grid
        total = level.total(found.recipes)
        found.statistics = level.grid.weights.statistics(total)
        found.history.append((found.tried, float(rate(level.grid, total[None])[0])))
        if self.coarse is not None and level is not self.coarse:
            apart = level.lowest(recipes) - self.coarse.lowest(recipes)
            at, cells = found.statistics.min_cell, self.coarse.grid.mesh.cells
            found.mesh_error = mesh_error(level.grid.mesh, at, apart, cells)

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


@dataclass(frozen=True)
class Knob:
    """One number of one coat that may be moved; `nudged` has it moved by `amount` steps."""

    coat: int
    name: str
    amount: float
    nudged: Recipe


@dataclass(frozen=True, eq=False)
class Outlook:
    """A plan on every day, and what its numbers do. Films over the mean as planned: days
    (1 + bad days, cells), slopes (1 + bad days, knobs, cells) for a step of each number."""

    grid: Grid
    recipes: tuple[Recipe, ...]
    knobs: list[Knob]
    days: Array
    slopes: Array

    @staticmethod
    def of(
        level: Level, recipes: tuple[Recipe, ...], knobs: list[Knob], days: Sequence[Day]
    ) -> Outlook:
        """From films the level has. What a number does hangs on when the coat gels, and hardly on
        its viscosity. A ripple is a bias nobody asked for, so that it follows from what the numbers
        do, where they were nudged."""
        area = level.grid.weights.area
        mean = float(level.total(recipes) @ area / area.sum())
        amounts = mean * np.array([knob.amount for knob in knobs])[:, None]

        def does(day: Day) -> Array:
            if not knobs:
                return np.zeros((0, level.grid.mesh.cells))
            own = level.films([recipes[knob.coat] for knob in knobs], day)
            return np.asarray((level.films([knob.nudged for knob in knobs], day) - own) / amounts)

        plain = does(days[0])
        biases = np.array([1.0 / SPACE[knob.name][2] for knob in knobs])
        totals = [
            level.total(recipes, days[0]) / mean + day.ripple * (biases @ plain)
            if knobs and day.ripple
            else level.total(recipes, day) / mean
            for day in days
        ]
        slopes = [does(day) if day.gel != 1.0 else plain for day in days]
        return Outlook(level.grid, recipes, knobs, np.array(totals), np.array(slopes))

    @property
    def worth(self) -> float:
        """The score, less what the worst day takes from it."""
        return _worth(self.grid, self.days)

    def best_move(self, trust: float) -> Array:
        """Of all biases together, none by more than `trust` steps, (knobs,)."""
        weights, rim = self.grid.weights, math.nan
        rim_slopes = np.full(len(self.knobs), math.nan)
        if weights.rim is not None:
            rim, rim_slopes = float(self.days[0] @ weights.rim), self.slopes[0] @ weights.rim
        return best_move(
            weights.patch_means(self.days.T).T,
            np.array([weights.patch_means(one.T).T for one in self.slopes]),
            rim,
            rim_slopes,
            [(-trust, trust)] * len(self.knobs),
            Aim(DAY_WEIGHT, WORST_WANTED, SHORT_COST, LOW_WEIGHT, RIM_SLACK, RIM_COST),
        )

    def promised(self, move: Array) -> float:
        """The worth after a move, if the films answer in proportion."""
        return _worth(self.grid, self.days + np.einsum("k,dkc->dc", move, self.slopes))

    def moved(self, move: Array, pour: Pour) -> tuple[Recipe, ...]:
        """The recipes after a move; one that the rig cannot follow goes half or a quarter of it."""
        found = list(self.recipes)
        for k, recipe in enumerate(self.recipes):
            steps = {
                knob.name: float(by)
                for knob, by in zip(self.knobs, move, strict=True)
                if knob.coat == k
            }
            for part in (1.0, 0.5, 0.25):
                new = moved(recipe, {name: part * by for name, by in steps.items()}, pour)
                if within_limits(new, pour.clock(new), pour.rig):
                    found[k] = new
                    break
        return tuple(found)


def _worth(grid: Grid, days: Array) -> float:
    lowest = measures(grid, days)[0]
    return float(rate(grid, days[:1])[0] - day_cost(lowest[0], lowest.min()))


class Pool:
    """Recipes tried on one mesh, with what follows from all of them together."""

    def __init__(self) -> None:
        self.recipes: list[Recipe] = []
        self.leaders: list[tuple[int, ...]] = []

    def add(
        self,
        level: Level,
        fresh: Sequence[Recipe],
        coats: int,
        rough: Level | None,
    ) -> None:
        """rough: where bad days are looked at; None, not at all."""
        self.recipes = [*self.recipes, *fresh]
        grid, base = level.grid, level.base
        self.maps = level.films(self.recipes)
        mean = grid.weights.area / grid.weights.area.sum()
        rim = mean if grid.weights.rim is None else grid.weights.rim
        one = float(self.maps[0] @ mean)
        self.patches = grid.weights.patch_means(self.maps.T)
        self.seen = np.column_stack([self.patches.T, self.maps @ rim]) / one
        self.under = np.append(grid.weights.patch_means(base), base @ rim) / one
        self.total = coats + float(base @ mean) / one
        self.mixed = mixture(grid, self.maps, coats, base)
        keep, strain = self._worth_combining(grid), None
        if rough is not None:
            sums = best_sums(grid, self.maps[keep], coats, base)
            keep = keep[list(dict.fromkeys(sums.ravel().tolist()))[:STRAINED]]
            strained = rough.strained([self.recipes[int(i)] for i in keep])
            strain = Strain(rough.grid, strained, rough.base)
        found = combinations(grid, self.maps[keep], coats, LEADERS, base, strain)
        self.leaders = [tuple(int(keep[i]) for i in one) for one in found]

    def bettered_by(self, films: Array) -> Array:
        """The best score that each of these films, (k, patches and rim) over the mean, would give
        in place of one coat of a leading combination, (k,)."""
        best = np.full(len(films), -np.inf)
        for one in self.leaders[:12]:
            for coat in set(one):
                total = self.under + self.seen[list(one)].sum(axis=0) - self.seen[coat] + films
                value = score(total[:, :-1].min(axis=1) / self.total, total[:, -1] / self.total)
                best = np.maximum(best, value)
        return best

    def _worth_combining(self, grid: Grid) -> NDArray[np.int64]:
        """Not all of many: those that led, those of the mixture, the best alone, the best paid."""
        if len(self.recipes) <= COMBINED:
            return np.arange(len(self.recipes))
        wanted = [
            *(i for one in self.leaders[:12] for i in one),
            *np.flatnonzero(self.mixed.shares > 1e-6),
            *np.argsort(-rate(grid, self.maps), kind="stable")[: COMBINED // 3],
            *np.argsort(-(self.mixed.prices @ self.patches), kind="stable"),
        ]
        return np.array(list(dict.fromkeys(int(i) for i in wanted))[:COMBINED])

    def named(self, leader: tuple[int, ...]) -> tuple[Recipe, ...]:
        return tuple(self.recipes[i] for i in leader)

    def best_first(self, level: Level) -> list[Recipe]:
        wanted = [
            *(i for one in self.leaders for i in one),
            *np.argsort(-self.mixed.shares, kind="stable")[:12],
            *np.argsort(-rate(level.grid, self.maps), kind="stable"),
        ]
        return [self.recipes[i] for i in dict.fromkeys(int(i) for i in wanted)]


def apart(ranked: Sequence[Recipe], count: int, near: float) -> list[Recipe]:
    """The first few that are not near each other."""
    points = features(ranked)
    chosen: list[int] = []
    for k in range(len(ranked)):
        if len(chosen) == count:
            break
        if all(np.linalg.norm(points[k] - points[j]) > near for j in chosen):
            chosen.append(k)
    return [ranked[k] for k in chosen]
