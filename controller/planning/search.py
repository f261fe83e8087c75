"""Coats planned together: the thick places of one fall on the thin places of the others.

Maps of single coats add up, so a library of them is enough. All combinations are summed and scored
at once, and the best are varied a few times. Those that stay good on a bad day are chosen and
computed again on finer meshes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RBFInterpolator

from evenwall.geometry.film_mesh import cells_for, mesh_mm_for
from evenwall.geometry.mould import Cavity
from evenwall.numerics.film import Numerics, WallStatistics, mesh_error
from evenwall.planning.batch import USUALLY_LATE
from evenwall.planning.level import SCREEN, Level
from evenwall.planning.mixing import (
    Strain,
    best_sums,
    combinations,
    measures,
    mixture,
    rate,
    score,
)
from evenwall.planning.outlook import Outlook, best_move, films_for, knobs
from evenwall.planning.recipe import Recipe, eased
from evenwall.planning.space import (
    BASELINE,
    BESIDE,
    NEAR,
    apart,
    draw,
    features,
    first_recipes,
    unlike,
    vary,
)
from evenwall.planning.walls import (
    AS_PLANNED,
    BAD_DAYS,
    COARSE,
    FINE,
    LATE_DAYS,
    Budget,
    Day,
    Grid,
    OutOfTime,
    Pour,
    Walls,
    film_work,
    run_over,
)

Array = NDArray[np.float64]

LIKELY = 10  # recipes that are computed on bad days on the finer mesh
TRUST = 1.0  # steps in SPACE by which a bias may be polished at once
PROMISING = 12  # of the leaders on the finer mesh, whose polishing is looked ahead to
LEADERS = 60  # combinations looked at closely
COMBINED = 48  # recipes of which all combinations are summed
STRAINED = 16  # of these, those whose bad days are computed too
IDEAS = 300  # recipes whose worth is guessed for every few that are computed, of each kind
SPILL_ROUNDS = 3
LEAST_CELLS = 550  # of the mesh that decides
CHECK = 0.93  # spacing of the last mesh, of that which decides
KEPT = 0.95  # of the thinnest patch, where turning begins late
TURNED_OUT = 0.1  # by how much less than promised a move is looked at once more


@dataclass(frozen=True)
class Effort:
    """Amount of computing. Counts, not seconds, so that a seed gives one plan anywhere."""

    search_mm: float  # the mesh on which recipes are tried ...
    search_cells: int  # ... and never more than about so many cells on it
    rounds: int
    lanes: int  # recipes a round
    shortlist: int  # recipes that go on to the finer mesh
    polished: tuple[float, ...]  # on meshes of these spacings, of that which decides
    days: tuple[Day, ...]
    decide_mm: float  # the mesh that decides; the wall is reported from a finer one still
    decide_cells: int


# Sums of lanes are multiples of two kernels' sixteen: a lane left idle costs as much as a busy one.
FULL = Effort(6.0, 1500, 4, 32, 29, (1.0, 0.965), BAD_DAYS, 5.3, 2600)


@dataclass
class Found:
    """State of the search so far. Films in metres on `grid`; figures over the mean."""

    recipes: tuple[Recipe, ...] = ()
    grid: Grid | None = None
    statistics: WallStatistics | None = None
    coats_m: Array = field(default_factory=lambda: np.zeros((0, 0)))
    base_m: Array = field(default_factory=lambda: np.zeros(0))  # what was laid before them
    spilt_m3: Array | None = None  # of each coat, over an open mouth
    mesh_error: float | None = None  # of min/mean, what the last mesh leaves open
    worst_min: float | None = None
    worst_days: tuple[Day, ...] = ()  # worst first
    late: float = USUALLY_LATE  # how late turning may begin, of the time to the gel; see KEPT
    bound: float | None = None  # best min/mean any mixture of the maps could have
    baseline_recipe: Recipe = BASELINE
    baseline_m: Array = field(default_factory=lambda: np.zeros(0))  # one coat
    baseline: dict[str, float] = field(default_factory=dict)
    tried: int = 0
    history: list[tuple[int, float]] = field(default_factory=list)  # (recipes tried, score)
    value: float = -np.inf  # the last score, less what bad days take
    told: bool = False  # from the last mesh, which nothing was chosen on
    complete: bool = False
    interrupted: bool = False  # by a person, not by the budget


@dataclass
class Search:
    """One search. `laid` are coats already on the wall, which stay as they are; `known` recipes
    are tried before all others; the plan `stays` unless the one found is better."""

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
    stays: tuple[Recipe, ...] = ()

    def __post_init__(self) -> None:
        self.found, self.done = Found(), 0.0
        self.rng = np.random.default_rng(self.seed)
        self.coarse: Level | None = None
        self.plan: tuple[Recipe, ...] = ()  # as last polished ...
        self.seen: list[Outlook] = []  # ... and what it promises on each mesh looked at
        effort = self.effort
        self.steps = effort.rounds + 5.0 + len(effort.polished)

    def run(self) -> Found:
        """Choose the coats' recipes. Ctrl-C and a spent budget keep the best so far; of a budget
        enough is kept back to compute the best on a mesh that nothing was chosen on.

        Raises KeyboardInterrupt or OutOfTime when there is nothing yet.
        """
        found = self.found
        try:
            complete = self._chosen()
            level = self._level(CHECK * decide_mm(self.cavity, self.effort), FINE)
            self._check(level)
            found.told, found.complete = True, complete
            self._may_be_late(level)
        except (KeyboardInterrupt, OutOfTime) as why:
            if not found.recipes:
                raise
            found.interrupted = isinstance(why, KeyboardInterrupt)
        return self._settled()

    def _settled(self) -> Found:
        """Return the result; of an open mould, with the resin that stays and runs over."""
        found, grid = self.found, self.found.grid
        if self.pour.open and grid is not None:
            found.coats_m, found.spilt_m3 = run_over(grid, self.pour, found.recipes, SPILL_ROUNDS)
            base = found.base_m
            found.statistics = grid.weights.statistics(found.coats_m.sum(axis=0) + base)
        return found

    def judge(self, recipes: tuple[Recipe, ...]) -> Found:
        """No search: the wall of these recipes, on one mesh."""
        self._take(self._level(CHECK * decide_mm(self.cavity, self.effort), FINE), recipes)
        self.found.told = self.found.complete = True
        return self._settled()

    def _level(self, mesh_mm: float, numerics: Numerics) -> Level:
        grid = Grid.of(self.cavity, mesh_mm, numerics)
        return Level(Walls(grid, self.pour, self.executor, self.budget), self.laid)

    def _chosen(self) -> bool:
        """Whether there was time for all of it. What there was no time for is left out."""
        self.tell(0.0, "turning the first coats")
        self.coarse = self._level(search_mm(self.cavity, self.effort), COARSE)
        last = (self.coats + len(self.stays)) * (1 + len(self.effort.days)) + 1
        last += self.coats * len(LATE_DAYS)
        self.budget.kept = self._work(last, CHECK * decide_mm(self.cavity, self.effort))
        try:
            shortlist = self._explore(self.coarse)
            self.fine = self._level(decide_mm(self.cavity, self.effort), FINE)
            self._polish(crossed(self.fine, self.coats, self._decide(shortlist)))
        except OutOfTime:
            if not self.found.recipes:
                raise
            return False
        finally:
            self.budget.kept = 0.0
        return True

    def _work(self, lanes: int, mesh_mm: float) -> float:
        """Estimate the cost of films on a mesh that is not made yet."""
        return film_work(lanes, cells_for(self.cavity.area_cm2, mesh_mm), FINE, self.executor)

    def _explore(self, level: Level) -> list[Recipe]:
        """Drawn recipes, then more and more such as lay resin where the best mixture is thin."""
        effort, pool = self.effort, Pool()
        decision = self._work(effort.shortlist, decide_mm(self.cavity, self.effort))
        for number in range(effort.rounds):
            if number == 0:
                before = list(dict.fromkeys(self.known))
                drawn = first_recipes(self.pour, self.rng, effort.lanes - len(before))
                fresh = [*before, *drawn]
            elif self.budget.covers(level.walls.work(effort.lanes) + decision):
                fresh = self._next(pool, effort.lanes)
            else:
                break  # what is left goes to the finer mesh
            if number == 0:
                pool.add(level, fresh, self.coats, None)
                self._take(level, pool.named(pool.leaders[0]))  # something to fall back on
                self._baseline(level, plainest(self.pour, pool))
                fresh = []
            pool.add(level, fresh, self.coats, level)
            self.found.tried = len(pool.recipes)
            self._take(level, pool.named(pool.leaders[0]))
            self._step(1.0)
        return pool.best_first(level)[: max(effort.shortlist, self.coats)]

    def _decide(self, shortlist: list[Recipe]) -> list[Recipe]:
        """All combinations again, on the finer mesh: the recipes of the best."""
        level, found, pool = self.fine, self.found, Pool()
        speeds = self._speeds()
        level.films([*shortlist, *speeds])
        pool.add(level, shortlist, self.coats, self.coarse)
        self._take(level, pool.named(pool.leaders[0]))
        self._compare(level)
        self._baseline(level, speeds)
        self._step(2.0)
        found.bound = pool.mixed.lowest
        return pool.best_first(level)[: max(LIKELY, self.coats)]

    def _speeds(self) -> list[Recipe]:
        """The baseline at the speed that was best on the coarse mesh, and beside it."""
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

    def _polish(self, plan: tuple[Recipe, ...]) -> None:
        """Move this plan's biases for every day: each time one mesh more is looked at and what it
        promises on the ones before is carried over, since what suits one suits another less."""
        for number, part in enumerate(self.effort.polished):
            level = (
                self._level(part * decide_mm(self.cavity, self.effort), FINE)
                if number
                else self.fine
            )
            seen = [*self.seen, self._outlook(level, plan)]
            self._endured(level, seen[-1])
            plan = self.plan = seen[-1].moved(best_move(seen, TRUST), self.pour)
            self.seen = [one.carried_to(plan) for one in seen]
            self._step(1.0 if number else 2.0)

    def _outlook(self, level: Level, plan: tuple[Recipe, ...]) -> Outlook:
        """Compute this plan on every day and the effect of its biases, all films at once."""
        days, numbers = (AS_PLANNED, *self.effort.days), knobs(plan, self.pour)
        level.walls.of(films_for(plan, numbers, days))
        return Outlook.of(level, plan, numbers, days)

    def _check(self, level: Level) -> None:
        """The plan on a mesh that was not searched on, every day computed if there is time. A last
        move that turns out badly there is taken back where that is better."""
        found, days, seen = self.found, (AS_PLANNED, *self.effort.days), self.seen
        plain, before = found.baseline_recipe, found.recipes
        plan, told = self.plan or before, found.statistics
        some = plan + self.stays
        if not self.budget.covers(level.walls.work(len(films_for(some, [], days)) + 1)):
            days = days[:1]
        level.walls.of([*films_for(some, [], days), (plain, AS_PLANNED)])
        best = Outlook.of(level, plan, [], days)
        if seen and best.value < min(one.value for one in seen) - TURNED_OUT:
            level.walls.of(films_for(before, [], days))
            best = max(best, Outlook.of(level, before, [], days), key=lambda one: one.value)
        if self.stays:
            best = max(Outlook.of(level, self.stays, [], days), best, key=lambda one: one.value)
        self._endured(level, best)
        self._baseline(level, [plain])
        self._compare(level)
        # What suits one mesh suits another less.
        lowest = [measures(one.grid, one.days[:1])[0][0] for one in (best, *seen)]
        if told is not None and not seen:
            lowest.append(told.min / told.mean)
        found.mesh_error = max(found.mesh_error or 0.0, float(np.ptp(lowest)))
        self._step(2.0)

    def _endured(self, level: Level, plan: Outlook) -> None:
        """Make this the plan, with what the bad days make of it."""
        found, lowest = self.found, measures(level.grid, plan.days)[0]
        self._take(level, plan.recipes)
        found.value, found.worst_min, found.worst_days = plan.value, None, ()
        if len(lowest) > 1:
            order = np.argsort(lowest[1:], kind="stable")
            found.worst_days = tuple(self.effort.days[k] for k in order)
            found.worst_min = float(lowest.min())

    def _may_be_late(self, level: Level) -> None:
        """By how much all coats may begin to turn too late, if there is time to compute it."""
        films = films_for(self.found.recipes, [], LATE_DAYS)
        if not self.budget.covers(level.walls.work(len(films))):
            return
        level.walls.of(films)
        days = (AS_PLANNED, *LATE_DAYS)
        lowest = np.array([level.lowest(self.found.recipes, day) for day in days])
        self.found.late = late_by(np.array([day.late for day in days]), lowest / lowest[0])

    def _step(self, part: float) -> None:
        self.done += part
        s, grid = self.found.statistics, self.found.grid
        words = "" if s is None else f"thinnest patch so far {s.min / s.mean:.2f} of the mean wall"
        mesh = "" if grid is None else f", on cells of {grid.mesh_mm:.1f} mm"
        self.tell(min(self.done / self.steps, 0.99), words + mesh)

    def _take(self, level: Level, recipes: tuple[Recipe, ...]) -> None:
        """Make these the plan, with their films on this mesh: heavy at the bottom first."""
        found = self.found
        found.recipes = tuple(sorted(recipes, key=lambda r: -(r.bias + 0.1 * r.rim_bias)))
        found.coats_m, found.base_m = level.films(found.recipes), level.base
        found.grid = level.grid
        total = level.total(found.recipes)
        found.statistics = level.grid.weights.statistics(total)
        found.value = float(rate(level.grid, total[None])[0])
        found.history.append((found.tried, found.value))

    def _compare(self, level: Level) -> None:
        """Error that this mesh leaves in the plan's thinnest patch, by the coarse one."""
        found, coarse = self.found, self.coarse
        if coarse is not None and found.statistics is not None:
            apart = level.lowest(found.recipes) - coarse.lowest(found.recipes)
            at, cells = found.statistics.min_cell, coarse.grid.mesh.cells
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


def search_mm(cavity: Cavity, effort: Effort) -> float:
    """Return the cells' width of the mesh that recipes are searched on, in mm."""
    return max(effort.search_mm, mesh_mm_for(cavity.area_cm2, effort.search_cells))


def decide_mm(cavity: Cavity, effort: Effort) -> float:
    """Return the cells' width of the mesh that decides: a small mould needs a finer one."""
    most, least = (mesh_mm_for(cavity.area_cm2, n) for n in (LEAST_CELLS, effort.decide_cells))
    return max(min(effort.decide_mm, most), least)


def plainest(pour: Pour, pool: Pool) -> list[Recipe]:
    """Return the baseline at several speeds, from the recipes tried."""
    plain = eased(BASELINE, pour.clock(BASELINE), pour.rig)
    return [r for r in pool.recipes if replace(r, level_rpm=plain.level_rpm) == plain]


def crossed(level: Level, coats: int, likely: list[Recipe]) -> tuple[Recipe, ...]:
    """Choose among these recipes, by their films on the days that differ most, the plan that
    promises most once it is polished."""
    strained = level.strained(likely)
    strain = Strain(level.grid, strained, level.base)
    found = combinations(level.grid, strained[0], coats, LEADERS, level.base, strain)
    plans = unlike([tuple(likely[i] for i in one) for one in found], PROMISING)
    ahead = [Outlook.by_ripple(level, plan, SCREEN) for plan in plans]
    return max(ahead, key=lambda one: one.promised(best_move([one], TRUST))).recipes


def late_by(late: Array, kept: Array) -> float:
    """Latest start of turning for the thinnest patch to keep KEPT of what it has on time: where
    that first is less, in proportion between two; or the latest that was tried."""
    short = np.flatnonzero(kept < KEPT)
    if not len(short):
        return float(late[-1])
    between = [short[0], short[0] - 1]
    return float(np.interp(KEPT, kept[between], late[between]))


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
