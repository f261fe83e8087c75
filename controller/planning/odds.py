"""Odds of the planned wall: the distribution of the thinnest patch when everything is a little off
at once.

Each coat's film is computed as planned and on days that differ in one thing: a higher or lower
viscosity, an earlier or later gel, a motor's ripple, a late start, another surface tension. Between
those days a film is interpolated linearly, and the changes of one coat are added. Then castings are
drawn at random: batch, pour, start and ripple are drawn for every coat, and viscosity, surface
tension and the error of the mould's heat once for the casting. A few thousand castings need no
further film.

Not included: a mould that is warmer on one side, pools that the film model cannot describe, and a
tilted frame, whose effect the second axis cancels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenwall.planning.batch import HEAT_SD, NINETY
from evenwall.planning.level import Level
from evenwall.planning.recipe import Recipe
from evenwall.planning.walls import AS_PLANNED, BAD_DAYS, LATE_DAYS, TENSION_DAY, Day

Array = NDArray[np.float64]

DRAWS = 2000
NINE_IN_TEN = 10.0  # percentile


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of the quantities that may be off in a casting; of their logarithms where
    no unit is given.

    batch: gel time of each coat's own mix. heat: gel time of a later coat, as a factor on the share
    by which it gels earlier than a first coat. viscosity, tension: of the resin, the same for all
    coats. pour: volume of each coat. ripple: speed of the major axis, with backlash. start_s: delay
    of each coat's turning. together: factor by which all of these change a wall more than their sum
    does, from joint draws on other forms.
    """

    batch: float = 0.08
    heat: float = HEAT_SD
    viscosity: float = 0.12  # +-20 % nine times in ten
    tension: float = 0.18  # 0.025 to 0.045 N/m nine times in ten
    pour: float = 0.03  # +-5 % nine times in ten
    ripple: float = 0.0025
    start_s: float = 18.0  # 30 s nine times in ten
    together: float = 1.0


@dataclass(frozen=True)
class Odds:
    """Thinnest patch over the planned mean: the value that nine castings in ten reach, and the
    median."""

    nine_in_ten: float
    half: float


@dataclass(frozen=True, eq=False)
class Axis:
    """One quantity that may be off: its values (k,), one of them as planned, and its effect on
    every patch, (k, patches)."""

    values: Array
    does: Array

    def at(self, drawn: Array) -> Array:
        """Return the change of every patch, (draws, patches), interpolated and extrapolated
        linearly."""
        return np.asarray(proportions(self.values, drawn) @ self.does)


def proportions(values: Array, drawn: Array) -> Array:
    """Return weights (draws, k) that interpolate linearly between rising values (k,), and
    extrapolate beyond the first and the last at the slope next to them."""
    low = np.clip(np.searchsorted(values, drawn) - 1, 0, len(values) - 2)
    part = (drawn - values[low]) / (values[low + 1] - values[low])
    weights = np.zeros((len(drawn), len(values)))
    rows = np.arange(len(drawn))
    weights[rows, low] = 1.0 - part
    weights[rows, low + 1] += part
    return weights


def days_needed() -> tuple[Day, ...]:
    """Return the days whose films `odds_of` needs."""
    return (AS_PLANNED, *BAD_DAYS, *LATE_DAYS, TENSION_DAY)


def odds_of(
    level: Level,
    recipes: Sequence[Recipe],
    gels_s: Sequence[float],
    bar: float,
    rng: np.random.Generator,
    scatter: Scatter | None = None,
) -> Odds:
    """Return the odds, from castings drawn with films that the level has or computes.

    gels_s: each coat's gel time; its lead over the first coat's shows how much of it depends on the
    heat model. bar: the error of the thinnest patch over the mean from the meshes, taken as a 90 %
    limit.
    """
    scatter = scatter or Scatter()
    drawn = draw_castings(gels_s, rng, scatter)
    lowest = thinnest(level, recipes, drawn, scatter.together)
    lowest = lowest + rng.normal(0.0, bar / NINETY, len(lowest))
    nine, half = np.percentile(lowest, [NINE_IN_TEN, 50.0])
    return Odds(max(0.0, float(nine)), max(0.0, float(half)))


@dataclass(frozen=True, eq=False)
class DrawnCoat:
    """One coat in many castings, each (draws,): the quantities that are off, as in `_off`, and the
    logarithm of its pour."""

    off: dict[str, Array]
    pour: Array


def draw_castings(
    gels_s: Sequence[float], rng: np.random.Generator, scatter: Scatter, draws: int = DRAWS
) -> list[DrawnCoat]:
    """Draw every coat of many castings. The errors of the resin and of the heat model are the same
    for all coats."""
    common = rng.normal(size=(3, draws))
    coats = []
    for gel_s in gels_s:
        own = rng.normal(size=(4, draws))
        warm = scatter.heat * max(0.0, 1.0 - gel_s / gels_s[0])
        off = {
            "viscosity": scatter.viscosity * common[0],
            "gel": scatter.batch * own[0] + warm * common[2],
            "ripple": scatter.ripple * own[2],
            "late": scatter.start_s / gel_s * np.abs(own[3]),
            "tension": scatter.tension * common[1],
        }
        coats.append(DrawnCoat(off, scatter.pour * own[1]))
    return coats


def thinnest(
    level: Level, recipes: Sequence[Recipe], drawn: Sequence[DrawnCoat], together: float
) -> Array:
    """Return the thinnest patch of each drawn casting over the planned mean, (draws,)."""
    level.walls.of([(recipe, day) for recipe in recipes for day in days_needed()])
    mean, weights = level.mean(recipes), level.grid.weights
    total = np.tile(weights.patch_means(level.base) / mean, (len(drawn[0].pour), 1))
    changed = np.zeros_like(total)
    for recipe, coat in zip(recipes, drawn, strict=True):
        planned, axes = _axes(level, recipe, mean)
        total += planned
        changed += np.expm1(coat.pour)[:, None] * planned
        # More resin flows as if it were less viscous by its square (the path goes with h^2/mu).
        off = {**coat.off, "viscosity": coat.off["viscosity"] - 2.0 * coat.pour}
        for name, axis in axes.items():
            changed += axis.at(off[name])
    return np.asarray((total + together * changed).min(axis=1))


def _axes(level: Level, recipe: Recipe, mean: float) -> tuple[Array, dict[str, Axis]]:
    """Return a coat's patches over the mean as planned, and the effect of each quantity on them."""

    def patches(day: Day) -> Array:
        return np.asarray(level.grid.weights.patch_means(level.films([recipe], day)[0]) / mean)

    planned = patches(AS_PLANNED)
    values: dict[str, list[tuple[float, Array]]] = {
        name: [(0.0, np.zeros_like(planned))]
        for name in ("viscosity", "gel", "ripple", "late", "tension")
    }
    for day in days_needed()[1:]:
        name, value = _off(day)
        values[name].append((value, patches(day) - planned))
    axes = {}
    for name, some in values.items():
        ranked = sorted(some, key=lambda one: one[0])
        axes[name] = Axis(np.array([v for v, _ in ranked]), np.array([d for _, d in ranked]))
    return planned, axes


def _off(day: Day) -> tuple[str, float]:
    """Return the quantities that are off on this day, as logarithms of factors."""
    logs = {"viscosity": day.viscosity, "gel": day.gel, "tension": day.tension}
    for name, factor in logs.items():
        if factor != 1.0:
            return name, math.log(factor)
    return ("ripple", day.ripple) if day.ripple else ("late", day.late)


def odds_detail(odds: Odds, mean_mm: float) -> dict[str, Any]:
    """Return the plan's record of its odds, in mm."""
    scatter = Scatter()
    return {
        "nine_in_ten_mm": round(odds.nine_in_ten * mean_mm, 3),
        "half_mm": round(odds.half * mean_mm, 3),
        "draws": DRAWS,
        "scatter": {
            "batch_percent": 100.0 * scatter.batch,
            "viscosity_percent": 100.0 * scatter.viscosity,
            "pour_percent": 100.0 * scatter.pour,
            "ripple_percent": 100.0 * scatter.ripple,
            "start_s": scatter.start_s,
            "tension_percent": 100.0 * scatter.tension,
        },
    }
