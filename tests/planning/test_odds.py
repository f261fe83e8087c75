"""The odds, on invented films whose castings can be computed by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import sparse

from evenwall.numerics.film import FilmMesh, WallWeights
from evenwall.planning.odds import (
    DrawnCoat,
    Scatter,
    days_needed,
    draw_castings,
    odds_detail,
    odds_of,
    proportions,
    thinnest,
)
from evenwall.planning.recipe import Recipe
from evenwall.planning.walls import COARSE, Day, Grid

CELLS = 4
EVERYTHING = ("viscosity", "gel", "ripple", "late", "tension")


class MadeUp:
    """A level whose first patch becomes thinner by 0.5 of the viscosity's log and by 2.0 of the
    lateness; all other days change nothing."""

    def __init__(self) -> None:
        weights = WallWeights(
            np.ones(CELLS), np.array([], dtype=np.intp), sparse.eye_array(CELLS).tocsr(), None
        )
        self.grid = Grid(object.__new__(FilmMesh), weights, 10.0, COARSE)
        self.base, self.walls = np.zeros(CELLS), self

    def of(self, wanted: Any) -> None:
        """Nothing to compute."""

    def films(self, recipes: list[Recipe], day: Day) -> np.ndarray:
        film = np.ones(CELLS)
        film[0] += 0.5 * np.log(day.viscosity) - 2.0 * day.late
        return np.array([film for _ in recipes])

    def mean(self, recipes: Any) -> float:
        return float(len(recipes))


def made_up() -> Any:
    return MadeUp()


def nothing_off(draws: int) -> dict[str, np.ndarray]:
    return {name: np.zeros(draws) for name in EVERYTHING}


def test_between_and_beyond_the_days_films_change_in_proportion() -> None:
    values = np.array([-1.0, 0.0, 2.0])
    does = np.array([3.0, 0.0, 4.0])
    drawn = np.array([-2.0, -0.5, 0.0, 1.0, 3.0])
    assert proportions(values, drawn) @ does == pytest.approx([6.0, 1.5, 0.0, 2.0, 6.0])


def test_a_drawn_casting_is_the_sum_of_its_coats() -> None:
    """Two coats, by hand: one 0.1 of its gel late, both a tenth of a log thicker, one poured 5 %
    fuller, which runs as if it were thinner by twice that log."""
    off = nothing_off(1) | {"viscosity": np.array([0.1])}
    late = off | {"late": np.array([0.1])}
    fuller = np.log(1.05)
    drawn = [DrawnCoat(late, np.zeros(1)), DrawnCoat(off, np.array([fuller]))]
    found = thinnest(made_up(), [Recipe(), Recipe(coat=1)], drawn, 1.0)
    first = 1.0 + 0.5 * 0.1 - 2.0 * 0.1
    second = 1.0 + 0.05 + 0.5 * (0.1 - 2.0 * fuller)
    assert found[0] == pytest.approx((first + second) / 2.0, abs=1e-9)


def test_batches_differ_and_resin_does_not() -> None:
    """Coats share viscosity and tension; batches, pours and starts differ. With 20,000 draws a
    standard deviation is known to 0.5 %."""
    scatter = Scatter()
    first, second = draw_castings([1000.0, 700.0], np.random.default_rng(1), scatter, 20_000)
    assert (first.off["viscosity"] == second.off["viscosity"]).all()
    assert np.std(first.off["gel"]) == pytest.approx(scatter.batch, rel=0.02)
    warm = np.hypot(scatter.batch, scatter.heat * 0.3)  # 0.3 earlier by the heat model
    assert np.std(second.off["gel"]) == pytest.approx(warm, rel=0.02)
    assert abs(np.corrcoef(first.off["gel"], second.off["gel"])[0, 1]) < 0.03
    assert (first.off["late"] >= 0.0).all()


def test_nine_castings_in_ten_hold_what_is_said() -> None:
    """By one coat's viscosity alone, by hand: 1 - 0.5 x 1.2816 sd at the tenth percentile; with
    2,000 draws its error is 0.0023; the tolerance is three times that, 0.007."""
    only = Scatter(batch=0.0, heat=0.0, tension=0.0, pour=0.0, ripple=0.0, start_s=0.0)
    odds = odds_of(
        made_up(),
        [Recipe()],
        [900.0],
        0.0,
        np.random.default_rng(2),
        only,
    )
    assert odds.nine_in_ten == pytest.approx(1.0 - 0.5 * 1.2816 * only.viscosity, abs=0.007)
    assert odds.half == pytest.approx(1.0, abs=0.005)
    unsure = odds_of(
        made_up(),
        [Recipe()],
        [900.0],
        0.2,
        np.random.default_rng(2),
        only,
    )
    assert unsure.nine_in_ten < odds.nine_in_ten
    assert odds_detail(odds, 4.5)["nine_in_ten_mm"] == pytest.approx(
        4.5 * odds.nine_in_ten, abs=1e-3
    )


def test_every_day_is_off_in_one_thing() -> None:
    for day in days_needed()[1:]:
        factors = (day.viscosity, day.gel, day.tension)
        assert sum(f != 1.0 for f in factors) + (day.ripple != 0.0) + (day.late != 0.0) == 1
