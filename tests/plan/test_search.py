"""The search on small made-up films, where the answer is known, and once on a real film."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from scipy import sparse

from controller.film import FilmMesh, WallWeights
from controller.model import read_casting, read_rig
from controller.mould import load_cavity
from controller.plan.make import Bench
from controller.plan.recipe import Recipe, legs, profile, within_limits
from controller.plan.search import (
    Effort,
    OutOfTime,
    Search,
    bound,
    combinations,
    different,
    library,
    measures,
    rate,
    vary,
)
from controller.plan.walls import AS_PLANNED, BAD_DAYS, COARSE, Grid, Walls, mesh_mm_for
from controller.units import rad_s

ROOT = Path(__file__).resolve().parents[2]
RIG = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
GLOBE = read_casting(ROOT / "controller" / "samples" / "lantern-globe.toml")
TINY = Effort(130, 16, 1, 16, 6, 0, 2, BAD_DAYS[:2], 12.0, 200)


def strip(cells: int) -> Grid:
    """A made-up grid: equal cells, each its own patch, the last two the rim."""
    rim = np.zeros(cells)
    rim[-2:] = 0.5
    weights = WallWeights(
        np.ones(cells), np.array([cells - 1]), sparse.eye_array(cells).tocsr(), rim
    )
    return Grid(object.__new__(FilmMesh), weights, 10.0, COARSE)


def test_two_opposite_maps_beat_the_best_single() -> None:
    """One heavy left, one heavy right, one fair: by hand, left + right is flat, min/mean 1."""
    x = np.linspace(-1, 1, 41)
    maps = np.array([1 + 0.6 * x, 1 - 0.6 * x, 1 - 0.3 * np.cos(np.pi * x)])
    grid = strip(41)
    assert combinations(grid, maps, 2, 5, np.zeros(41))[0] == (0, 1)
    assert combinations(grid, maps, 1, 5, np.zeros(41))[0] == (2,)
    # Four coats: two of each, found by coordinate exchange.
    assert sorted(combinations(grid, maps, 4, 5, np.zeros(41))[0]) == [0, 0, 1, 1]


def test_all_triples_against_brute_force() -> None:
    """Random films: the enumeration's best is that of a plain triple loop."""
    rng = np.random.default_rng(5)
    maps = rng.uniform(0.5, 1.5, (7, 30))
    maps /= maps.mean(axis=1, keepdims=True)
    grid, base = strip(30), rng.uniform(0.4, 1.0, 30)
    best = max(
        ((i, j, k) for i in range(7) for j in range(i, 7) for k in range(j, 7)),
        key=lambda t: rate(grid, (maps[list(t)].sum(axis=0) + base)[None])[0],
    )
    assert combinations(grid, maps, 3, 20, base)[0] == best


def test_what_is_laid_already_counts() -> None:
    """On a base that is thin on the right, the map heavy on the right is best."""
    x = np.linspace(-1, 1, 41)
    maps = np.array([1 + 0.5 * x, 1 - 0.5 * x, np.ones(41)])
    assert combinations(strip(41), maps, 1, 3, 1 - 0.5 * x)[0] == (0,)


def test_bound_is_above_every_plan_and_reached_by_a_mixture() -> None:
    """Two maps that are each other's mirror mix to a flat film: the bound is 1 to HiGHS's 1e-7."""
    x = np.linspace(-1, 1, 41)
    mirrored = np.array([1 + 0.6 * x, 1 - 0.6 * x])
    grid, empty = strip(41), np.zeros(41)
    assert bound(grid, mirrored, 3, empty) == pytest.approx(1.0, abs=1e-6)
    rng = np.random.default_rng(2)
    maps = rng.uniform(0.5, 1.5, (9, 41))
    maps /= maps.mean(axis=1, keepdims=True)
    best = combinations(grid, maps, 3, 5, empty)[0]
    reached = measures(grid, maps[list(best)].sum(axis=0)[None])[0][0]
    assert reached <= bound(grid, maps, 3, empty) + 1e-9
    # A cell that stays bare in every map bounds every plan at nothing.
    maps[:, 7] = 0.0
    assert bound(grid, maps, 3, empty) == pytest.approx(0.0, abs=1e-9)


def test_a_rim_off_the_mean_costs() -> None:
    grid = strip(20)
    film = np.ones((2, 20))
    film[1, -2:] = 1.5
    assert rate(grid, film)[0] == pytest.approx(1.0)
    assert rate(grid, film)[1] < 0.2


def test_finalists_differ_in_more_than_one_coat() -> None:
    leaders = [(0, 1, 2), (0, 1, 3), (4, 5, 2), (4, 5, 6)]
    assert different(leaders, 3) == [(0, 1, 2), (4, 5, 2)]
    assert different([(0,), (1,)], 2) == [(0,), (1,)]


def test_recipes_stay_within_the_rig() -> None:
    bench = Bench(GLOBE, RIG, load_cavity(GLOBE))
    pour = bench.pour(bench.batch(1.5))
    rng = np.random.default_rng(0)
    for recipe in library(pour, 48):
        for one in (recipe, vary(recipe, pour, rng)):
            assert within_limits(one, pour.clock, RIG)
            found = profile(one, pour.clock, RIG, 1.0)
            assert np.abs(found.major).max() <= rad_s(RIG.rate_limit_rpm) * (1 + 1e-9)
            assert np.abs(found.minor).max() <= rad_s(RIG.rate_limit_rpm) * (1 + 1e-9)
            assert max(np.abs(a).max() for a in found.accelerations()) <= rad_s(
                RIG.accel_limit_rpm_s
            ) * (1 + 1e-9)


def test_an_opening_below_turns_the_bias_round() -> None:
    clock = Bench(GLOBE, RIG, load_cavity(GLOBE)).batch(1.5).clock
    up = legs(Recipe(bias=-0.03), clock, 1.0)
    down = legs(Recipe(bias=-0.03), clock, -1.0)
    assert [leg.bias for leg in up] == [-leg.bias for leg in down]


@pytest.fixture(scope="module")
def globe_search() -> tuple[Search, list[str]]:
    bench = Bench(GLOBE, RIG, load_cavity(GLOBE))
    words: list[str] = []
    search = Search(
        bench.cavity,
        bench.pour(bench.batch(1.5)),
        3,
        7,
        TINY,
        None,
        lambda part, said: words.append(f"{part:.2f} {said}"),
        lambda: False,
    )
    search.run()
    return search, words


def test_a_whole_search(globe_search: tuple[Search, list[str]]) -> None:
    """On a very coarse mesh: what it finds is at least the best of what it began with."""
    search, words = globe_search
    found = search.found
    assert found.complete
    assert len(found.recipes) == 3
    explored = [value for _, value in found.history[:2]]
    assert explored == sorted(explored)
    assert found.statistics is not None
    assert found.bound is not None
    assert found.worst_min is not None
    # A sphere is easy: even on cells of 18 mm nothing is thinner than nine tenths.
    assert found.statistics.min / found.statistics.mean > 0.9
    assert found.statistics.min / found.statistics.mean < found.bound + 0.02
    assert found.worst_min <= found.statistics.min / found.statistics.mean + 1e-12
    assert float(words[0].split()[0]) == 0.0
    assert all("of the mean" in said for said in words[1:])


def test_same_seed_same_plan(globe_search: tuple[Search, list[str]]) -> None:
    first, _ = globe_search
    again = Search(first.cavity, first.pour, 3, 7, TINY, None, lambda *_: None, lambda: False).run()
    assert again.recipes == first.found.recipes
    assert again.statistics == first.found.statistics


def test_a_spent_budget_keeps_the_best(globe_search: tuple[Search, list[str]]) -> None:
    first, _ = globe_search
    search = Search(first.cavity, first.pour, 3, 7, TINY, None, lambda *_: None, lambda: True)
    found = search.run()
    assert not found.complete
    assert len(found.recipes) == 3
    assert found.statistics is not None


def test_an_interrupt_keeps_the_best_or_goes_on_up(
    globe_search: tuple[Search, list[str]],
) -> None:
    first, _ = globe_search
    calls = []

    def tell(part: float, _words: str) -> None:
        calls.append(part)
        if len(calls) == 2:
            raise KeyboardInterrupt

    kept = Search(first.cavity, first.pour, 3, 7, TINY, None, tell, lambda: False).run()
    assert len(kept.recipes) == 3
    assert not kept.complete

    def at_once(part: float, _words: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Search(first.cavity, first.pour, 3, 7, TINY, None, at_once, lambda: False).run()
    assert issubclass(OutOfTime, Exception)


@pytest.mark.parametrize("pool", [ThreadPoolExecutor, ProcessPoolExecutor])
def test_any_executor_gives_the_same_films(
    pool: type[ThreadPoolExecutor] | type[ProcessPoolExecutor],
) -> None:
    """Bit for bit: the kernel's lanes do not see each other."""
    bench = Bench(GLOBE, RIG, load_cavity(GLOBE))
    grid = Grid.of(bench.cavity, mesh_mm_for(bench.cavity.area_cm2, 130), COARSE)
    pour = bench.pour(bench.batch(1.5))
    wanted = [(recipe, AS_PLANNED) for recipe in library(pour, 20)]
    here = Walls(grid, pour).of(wanted)
    with pool(2) as executor:
        there = Walls(grid, pour, executor).of(wanted)
    assert (here == there).all()
