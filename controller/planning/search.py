"""Search for coats that are planned together: the thick places of one fall on the thin places of
the others.

The films of single coats add up, so a library of them is enough. All combinations are summed and
scored at once, and the best are varied a few times. The combinations that stay good on bad days are
chosen and computed again on finer meshes.
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
from evenwall.numerics.film import Numerics, WallStatistics, mesh_error, narrow_share
from evenwall.planning.batch import USUALLY_LATE
from evenwall.planning.effort import Effort
from evenwall.planning.level import SCREEN, Level
from evenwall.planning.mixing import (
    Strain,
    combinations,
    measures,
    rate,
)
from evenwall.planning.odds import Odds, days_needed, odds_of
from evenwall.planning.outlook import Outlook, best_move, films_for, knobs
from evenwall.planning.pool import LEADERS, Pool
from evenwall.planning.recipe import Recipe, in_order
from evenwall.planning.rests import Rest, RestOutlook, level_at, look, work
from evenwall.planning.space import (
    BASELINE,
    BESIDE,
    NEAR,
    apart,
    baseline,
    draw,
    features,
    first_recipes,
    unlike,
    vary,
)
from evenwall.planning.walls import (
    AS_PLANNED,
    COARSE,
    FINE,
    LATE_DAYS,
    POLISH,
    TENSION_DAY,
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
TRUST = 0.6  # steps in SPACE by which a bias may be polished at once
PROMISING = 12  # of the leaders on the finer mesh, for which the polish is estimated
IDEAS = 300  # recipes whose score is estimated for each one that is computed, of each kind
RESTED = 1  # of the leaders on the coarse mesh, for which the rests are compared
SPILL_ROUNDS = 3
CHECK = 0.93  # spacing of the last mesh, relative to the mesh that decides
# If at least this share of the skin lies on ridges or creases that are too narrow for the last
# mesh, the plan is also computed on FINEST_MM: the lighthouse's thinnest patch fell by 0.11 on
# meshes finer than 5 mm.
FINEST_MM, SHARP_SHARE = 3.0, 0.02
FINER_WORK = 2.0  # cost of a film there besides its cells: its steps are shorter too
OTHER_DAYS = (*LATE_DAYS, TENSION_DAY)  # no plan is chosen by them, only deadlines and odds
KEPT = 0.95  # of the thinnest patch, where turning begins late
TURNED_OUT = 0.03  # shortfall against the estimate at which a move is examined again


@dataclass
class Found:
    """State of the search so far. Films are in metres on `grid`, figures are over the mean."""

    recipes: tuple[Recipe, ...] = ()
    grid: Grid | None = None
    statistics: WallStatistics | None = None
    coats_m: Array = field(default_factory=lambda: np.zeros((0, 0)))
    base_m: Array = field(default_factory=lambda: np.zeros(0))  # coats laid before them
    spilt_m3: Array | None = None  # of each coat, over an open mouth
    mesh_error: float | None = None  # of min/mean, by the last mesh
    worst_min: float | None = None
    worst_days: tuple[Day, ...] = ()  # worst first
    late: float = USUALLY_LATE  # how late turning may begin, of the time to the gel; see KEPT
    odds: Odds | None = None
    bound: float | None = None  # best min/mean any mixture of the maps could have
    rests: tuple[RestOutlook, ...] = ()  # the outlook of each rest before the next pour
    rest: int = 0  # the planned one of these
    baseline_recipe: Recipe = BASELINE
    baseline_m: Array = field(default_factory=lambda: np.zeros(0))  # one coat
    baseline: dict[str, float] = field(default_factory=dict)
    tried: int = 0
    history: list[tuple[int, float]] = field(default_factory=list)  # (recipes tried, score)
    value: float = -np.inf  # the last score, less the cost of bad days
    told: bool = False  # from the last mesh, on which nothing was chosen
    complete: bool = False
    interrupted: bool = False  # by a person, not by the budget


@dataclass
class Progressing:
    """Inputs of a search, its meshes, and its best result so far.

    laid: coats already on the wall, which stay as they are. known: recipes that are tried before
    all others. stays: the plan to keep unless a better one is found. rests: the rests that the
    search may choose from; the first is that of `pour`.
    """

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
    rests: tuple[Rest, ...] = ()

    def __post_init__(self) -> None:
        self.found, self.done = Found(), 0.0
        self.rng = np.random.default_rng(self.seed)
        self.coarse: Level | None = None
        self.plan: tuple[Recipe, ...] = ()  # as last polished ...
        self.seen: list[Outlook] = []  # ... and its outlook on each mesh
        effort = self.effort
        self.steps = effort.rounds + 5.5 + len(effort.polished)

    def _search_mm(self) -> float:
        effort = self.effort
        return max(effort.search_mm, mesh_mm_for(self.cavity.area_cm2, effort.search_cells))

    def _decide_mm(self) -> float:
        """Return the spacing of the mesh that decides. A small mould needs a finer mesh to have
        enough cells."""
        effort, area_cm2 = self.effort, self.cavity.area_cm2
        most, least = (mesh_mm_for(area_cm2, n) for n in (effort.least_cells, effort.decide_cells))
        return max(min(effort.decide_mm, most), least)

    def _level(self, mesh_mm: float, numerics: Numerics) -> Level:
        grid = Grid.of(self.cavity, mesh_mm, numerics)
        return Level(Walls(grid, self.pour, self.executor, self.budget), self.laid)

    def _work(self, lanes: int, mesh_mm: float, numerics: Numerics = POLISH) -> float:
        """Estimate the cost of films on a mesh that does not exist yet."""
        return film_work(lanes, cells_for(self.cavity.area_cm2, mesh_mm), numerics, self.executor)

    def _step(self, part: float) -> None:
        self.done += part
        s, grid = self.found.statistics, self.found.grid
        words = "" if s is None else f"thinnest patch so far {s.min / s.mean:.2f} of the mean wall"
        mesh = "" if grid is None else f", on cells of {grid.mesh_mm:.1f} mm"
        self.tell(min(self.done / self.steps, 0.99), words + mesh)

    def _take(self, level: Level, recipes: tuple[Recipe, ...]) -> None:
        """Make these recipes the plan, with their films on this mesh; the coat that is heaviest at
        the bottom comes first."""
        found = self.found
        placed = sorted(recipe.coat for recipe in recipes) == list(range(len(recipes)))
        recipes = tuple(sorted(recipes, key=lambda r: r.coat)) if placed else in_order(recipes)
        found.coats_m, found.base_m = level.films(recipes), level.base  # or no time for it
        found.recipes = recipes
        found.grid = level.grid
        total = level.total(found.recipes)
        found.statistics = level.grid.weights.statistics(total)
        found.value = float(rate(level.grid, total[None])[0])
        found.history.append((found.tried, found.value))

    def _compare(self, level: Level) -> None:
        """Return the error of this mesh in the plan's thinnest patch, by comparison with the coarse
        one."""
        found, coarse = self.found, self.coarse
        if coarse is not None and found.statistics is not None:
            if level.grid.numerics is FINE:  # with the same film rules on both meshes
                grid = replace(coarse.grid, numerics=FINE)
                walls = Walls(grid, self.pour, self.executor, self.budget)
                coarse = Level(walls, self.laid)
            apart = level.lowest(found.recipes) - coarse.lowest(found.recipes)
            at, cells = found.statistics.min_cell, coarse.grid.mesh.cells
            found.mesh_error = mesh_error(level.grid.mesh, at, apart, cells)

    def _baseline(self, level: Level, plain: Sequence[Recipe], coats: Sequence[int] = ()) -> None:
        """Return the 4:1 at its best speed for the thinnest patch, the same for every coat. coats:
        the coats that are averaged; by default the one in the middle."""
        some = coats or [self.pour.usual]
        each = [level.films([replace(one, coat=k) for one in plain]) for k in some]
        films = np.mean(each, axis=0)
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


@dataclass
class Search(Progressing):
    """One search, from drawn recipes to the wall of a plan on a mesh on which nothing was
    chosen."""

    def run(self) -> Found:
        """Choose the coats' recipes. Ctrl-C and a spent budget keep the best so far. Part of the
        budget is reserved for computing the best on a mesh on which nothing was chosen.

        Raises KeyboardInterrupt or OutOfTime when there is no result yet.
        """
        found = self.found
        try:
            complete = self._chosen()
            level = self._level(CHECK * self._decide_mm(), FINE)
            self._check(level)
            found.told, found.complete = True, complete
            self._resolved(level)
            self._may_be_late(level)
            self._odds(level)
        except (KeyboardInterrupt, OutOfTime) as why:
            if not found.recipes:
                raise
            found.interrupted = isinstance(why, KeyboardInterrupt)
        return self._settled()

    def _settled(self) -> Found:
        """Return the result; for an open mould, with the resin that stays and the resin that runs
        over."""
        found, grid = self.found, self.found.grid
        if self.pour.open and grid is not None:
            found.coats_m, found.spilt_m3 = run_over(grid, self.pour, found.recipes, SPILL_ROUNDS)
            base = found.base_m
            found.statistics = grid.weights.statistics(found.coats_m.sum(axis=0) + base)
        return found

    def judge(self, recipes: tuple[Recipe, ...]) -> Found:
        """Compute the wall of these recipes on one mesh, without a search."""
        self._take(self._level(CHECK * self._decide_mm(), FINE), recipes)
        self.found.told = self.found.complete = True
        return self._settled()

    def _chosen(self) -> bool:
        """Return whether there was time for the whole search. Parts without time are left out."""
        self.tell(0.0, "turning the first coats")
        self.coarse = self._level(self._search_mm(), COARSE)
        try:
            pool = self._explore(self.coarse)
            self._rest(self.coarse, pool)
            shortlist = pool.placed_first(self.coarse, self.coats)
            shortlist = shortlist[: max(self.effort.shortlist, self.coats)]
            self.fine = self._level(self._decide_mm(), POLISH)
            self._polish(self._crossed(self._decide(shortlist)))
        except OutOfTime:
            if not self.found.recipes:
                raise
            return False
        finally:
            self.budget.kept = 0.0
        return True

    def _explore(self, level: Level) -> Pool:
        """Try random recipes, then more and more of those that put resin where the best mixture is
        thin. All of them are for the coat in the middle."""
        effort, pool = self.effort, Pool()
        decision = self._work(effort.shortlist, self._decide_mm())
        for number in range(effort.rounds):
            if number == 0:
                usual = [replace(one, coat=self.pour.usual) for one in self.known]
                before = list(dict.fromkeys(usual))
                drawn = first_recipes(self.pour, self.rng, effort.lanes - len(before))
                fresh = [*before, *drawn]
            elif self.budget.covers(level.walls.work(effort.lanes) + decision):
                fresh = self._next(pool, effort.lanes)
            else:
                break  # the remaining time goes to the finer mesh
            if number == 0:
                pool.add(level, fresh, self.coats, None)
                self._take(level, pool.named(pool.leaders[0]))  # something to fall back on
                self.budget.kept = self._last_work()
                self._baseline(level, self._plainest(pool))
                fresh = []
            pool.add(level, fresh, self.coats, level)
            self.found.tried = len(pool.recipes)
            self._take(level, pool.named(pool.leaders[0]))
            self._step(1.0)
        return pool

    def _last_work(self) -> float:
        """Return the cost of the last mesh's films."""
        last = (self.coats + len(self.stays)) * (1 + len(self.effort.days))
        last += len(self._ends()) + self.coats * len(OTHER_DAYS)
        return self._work(last, CHECK * self._decide_mm(), FINE)

    def _rest(self, level: Level, pool: Pool) -> None:
        """Choose the rest before the next pour, by computing the leaders with each rest."""
        some = [in_order(pool.named(one)) for one in pool.leaders[:LEADERS]]
        plans, rests = unlike(some, RESTED), self.rests
        films = work(len(plans), self.coats, len(rests))
        decision = self._work(self.effort.shortlist, self._decide_mm())
        if len(rests) < 2 or not self.budget.covers(level.walls.work(films) + decision):
            return
        levels = [level, *(level_at(level, one) for one in rests[1:])]
        self.found.rests = tuple(
            look(at, plans, one) for at, one in zip(levels, rests, strict=True)
        )
        best = max(range(len(rests)), key=lambda k: self.found.rests[k].worth)
        self.found.rest, self.pour, self.coarse = best, rests[best].pour, levels[best]
        self._step(0.5)

    def _decide(self, shortlist: list[Recipe]) -> list[Recipe]:
        """Combine the recipes of the best combinations again on the finer mesh."""
        level, found, pool = self.fine, self.found, Pool(placed=True)
        speeds = self._speeds()
        level.films([*shortlist, *speeds])
        pool.add(level, shortlist, self.coats, self.coarse)
        self._take(level, pool.named(pool.leaders[0]))
        self._compare(level)
        self._baseline(level, speeds)
        self._step(2.0)
        found.bound = pool.mixed.lowest
        return pool.best_first(level)[: max(LIKELY, self.coats)]

    def _plainest(self, pool: Pool) -> list[Recipe]:
        """Return the baseline at several speeds, from the recipes tried."""
        plain = baseline(self.pour)
        return [r for r in pool.recipes if replace(r, level_rpm=plain.level_rpm) == plain]

    def _speeds(self) -> list[Recipe]:
        """Return the baseline at the speed that was best on the coarse mesh, and at the
        neighbouring speeds."""
        best = self.found.baseline_recipe
        top = 0.95 * self.pour.rig.rate_limit_rpm
        around = {min(top, best.level_rpm * factor) for factor in (0.8, 1.0, 1.25)}
        return [replace(best, level_rpm=speed) for speed in sorted(around)]

    def _next(self, pool: Pool, count: int) -> list[Recipe]:
        """Return new recipes, judged by the films of their neighbours. A quarter of them should be
        thick where the mixture is thin; the others should improve a leading combination by
        replacing one of its coats."""
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

    def _crossed(self, likely: list[Recipe]) -> tuple[Recipe, ...]:
        """Choose the plan from these recipes with the best estimate after polishing, by their films
        on the days that differ most."""
        level = self.fine
        strained = level.strained(likely)
        strain = Strain(level.grid, strained, level.base)
        of = np.array([one.coat for one in likely])
        found = combinations(level.grid, strained[0], self.coats, LEADERS, level.base, strain, of)
        plans = unlike([tuple(likely[i] for i in one) for one in found], PROMISING)
        ahead = [Outlook.by_ripple(level, plan, SCREEN) for plan in plans]
        return max(ahead, key=lambda one: one.promised(best_move([one], TRUST))).recipes

    def _polish(self, plan: tuple[Recipe, ...]) -> None:
        """Change this plan's biases for every day. Each round computes one more mesh and carries
        over the estimates for the earlier ones, since a move that suits one mesh suits another
        less."""
        for number, part in enumerate(self.effort.polished):
            level = self._level(part * self._decide_mm(), POLISH) if number else self.fine
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
        """Compute the plan on a mesh that the search did not use, on every day if there is time. If
        the last move made the wall worse there, it is undone."""
        found, days, seen = self.found, (AS_PLANNED, *self.effort.days), self.seen
        plain, before = found.baseline_recipe, found.recipes
        plan, told = self.plan or before, found.statistics
        some = plan + self.stays
        compared = [(replace(plain, coat=coat), AS_PLANNED) for coat in self._ends()]
        films = [*films_for(some, [], days), *compared]
        others = films_for(some, [], OTHER_DAYS)
        if self.budget.covers(level.walls.work(len(films) + len(others))):
            films += others  # three coats' films then fill two kernels
        elif not self.budget.covers(level.walls.work(len(films))):
            days = days[:1]
            films = [*films_for(some, [], days), *compared]
        level.walls.of(films)
        best = Outlook.of(level, plan, [], days)
        if seen and best.value < min(one.value for one in seen) - TURNED_OUT:
            level.walls.of(films_for(before, [], days))
            best = max(best, Outlook.of(level, before, [], days), key=lambda one: one.value)
        if self.stays:
            best = max(Outlook.of(level, self.stays, [], days), best, key=lambda one: one.value)
        self._endured(level, best)
        self._baseline(level, [plain], self._ends())
        self._compare(level)
        # A move that suits one mesh suits another less.
        lowest = [measures(one.grid, one.days[:1])[0][0] for one in (best, *seen)]
        if told is not None and not seen:
            lowest.append(told.min / told.mean)
        found.mesh_error = max(found.mesh_error or 0.0, float(np.ptp(lowest)))
        self._step(2.0)

    def _ends(self) -> list[int]:
        """Return the first and the last coat, for which the compared 4:1 is computed."""
        return sorted({0, self.coats - 1})

    def _resolved(self, level: Level) -> None:
        """Widen the error for ridges and creases that these meshes do not resolve.

        It is at least the loss of the plan's coats on FINEST_MM, if there is time to compute them.
        """
        found, finest_mm = self.found, FINEST_MM
        sharp = narrow_share(level.grid.mesh) > SHARP_SHARE
        if not sharp or finest_mm >= level.grid.mesh_mm or found.statistics is None:
            return
        lanes = FINER_WORK * len(found.recipes)
        if not self.budget.covers(self._work(round(lanes), finest_mm, FINE)):
            return
        finer = self._level(finest_mm, FINE)
        apart = abs(level.lowest(found.recipes) - finer.lowest(found.recipes))
        found.mesh_error = max(found.mesh_error or 0.0, apart)

    def _endured(self, level: Level, plan: Outlook) -> None:
        """Make this the plan, with its results on the bad days."""
        found, lowest = self.found, measures(level.grid, plan.days)[0]
        self._take(level, plan.recipes)
        found.value, found.worst_min, found.worst_days = plan.value, None, ()
        if len(lowest) > 1:
            order = np.argsort(lowest[1:], kind="stable")
            found.worst_days = tuple(self.effort.days[k] for k in order)
            found.worst_min = float(lowest.min())

    def _may_be_late(self, level: Level) -> None:
        """Return the latest start of turning for all coats, if there is time to compute it."""
        films = films_for(self.found.recipes, [], OTHER_DAYS)
        missing = [one for one in films if one not in level.walls.known]
        if missing and not self.budget.covers(level.walls.work(len(missing))):
            return
        level.walls.of(films)
        days = (AS_PLANNED, *LATE_DAYS)
        lowest = np.array([level.lowest(self.found.recipes, day) for day in days])
        self.found.late = late_by(np.array([day.late for day in days]), lowest / lowest[0])

    def _odds(self, level: Level) -> None:
        """Return the plan's odds if every day is known or there is time to compute it."""
        found = self.found
        films = films_for(found.recipes, [], days_needed())
        missing = [one for one in films if one not in level.walls.known]
        if found.mesh_error is None:
            return
        if missing and not self.budget.covers(level.walls.work(len(missing))):
            return
        gels_s = [self.pour.clock(recipe).gel_expected_s for recipe in found.recipes]
        found.odds = odds_of(level, found.recipes, gels_s, found.mesh_error, self.rng)


def late_by(late: Array, kept: Array) -> float:
    """Return the latest start of turning at which the thinnest patch keeps KEPT of its value,
    interpolated; at most the latest start that was tried."""
    short = np.flatnonzero(kept < KEPT)
    if not len(short):
        return float(late[-1])
    between = [short[0], short[0] - 1]
    return float(np.interp(KEPT, kept[between], late[between]))
