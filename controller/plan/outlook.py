"""A plan on every day, and what each of its biases would change: what polishing goes by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.plan.level import Level
from controller.plan.mixing import (
    DAY_WEIGHT,
    LOW_WEIGHT,
    RIM_COST,
    RIM_SLACK,
    SHORT_COST,
    WORST_WANTED,
    worth,
)
from controller.plan.polish import Aim, best_move
from controller.plan.recipe import Recipe, within_limits
from controller.plan.space import SPACE, moved
from controller.plan.walls import AS_PLANNED, Day, Grid, Pour

Array = NDArray[np.float64]

NUDGE = 0.35  # of a step in SPACE: small enough for the film to answer in proportion


@dataclass(frozen=True)
class Knob:
    """One number of one coat that may be moved; `nudged` has it moved by `amount` steps."""

    coat: int
    name: str
    amount: float
    nudged: Recipe


def knobs(recipes: tuple[Recipe, ...], pour: Pour) -> list[Knob]:
    """What of these coats the film answers in proportion: their biases. Speeds, ratios and
    times move the phase at which a leg begins, and it answers those by leaps. The slightest of the
    rim's legs is left as it is: three coats' films then fill two kernels and not a third."""
    legs = sorted(range(len(recipes)), key=lambda k: -abs(recipes[k].rim_bias))
    some = [k for k in legs[: max(1, len(legs) - 1)] if recipes[k].rim_bias]
    found = []
    for k, recipe in enumerate(recipes):
        for name in ("bias", "rim_bias") if k in some else ("bias",):
            for amount in (NUDGE, -NUDGE):
                nudged = moved(recipe, {name: amount}, pour)
                clock = pour.clock(nudged)
                if nudged != recipe and within_limits(nudged, clock, pour.rig):
                    found.append(Knob(k, name, amount, nudged))
                    break
    return found


def turns_anew(day: Day) -> bool:
    """Whether what a number does is computed for this day: it hangs on when the coat gels, and
    hardly on its viscosity."""
    return day is AS_PLANNED or day.gel != 1.0


def films_for(
    recipes: tuple[Recipe, ...], knobs: list[Knob], days: Sequence[Day]
) -> list[tuple[Recipe, Day]]:
    """The films that `Outlook.of` goes by. A ripple is a bias nobody asked for: where biases were
    nudged it follows from what they do."""
    own = [(recipe, day) for recipe in recipes for day in days if not (knobs and day.ripple)]
    return own + [(knob.nudged, day) for knob in knobs for day in days if turns_anew(day)]


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
        """From the films of `films_for`; days: as planned, then the bad ones."""
        mean = level.mean(recipes)
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
        slopes = [plain, *(does(day) if turns_anew(day) else plain for day in days[1:])]
        return Outlook(level.grid, recipes, knobs, np.array(totals), np.array(slopes))

    @staticmethod
    def by_ripple(level: Level, recipes: tuple[Recipe, ...], bad_days: Sequence[Day]) -> Outlook:
        """From films the level has: each coat's biases moved alike, as the last of these days, a
        ripple, moves them."""
        *days, ripple = (AS_PLANNED, *bad_days)
        mean = level.mean(recipes)
        planned = level.films(recipes)
        amount = ripple.ripple / SPACE["bias"][2]
        slopes = (level.films(recipes, ripple) - planned) / (mean * amount)
        totals = [level.total(recipes, day) / mean for day in days]
        both = [totals[0] + sign * amount * slopes.sum(axis=0) for sign in (1.0, -1.0)]
        knobs = [Knob(k, "bias", amount, recipe) for k, recipe in enumerate(recipes)]
        count = len(totals) + len(both)
        return Outlook(
            level.grid, recipes, knobs, np.array([*totals, *both]), np.array([slopes] * count)
        )

    @property
    def value(self) -> float:
        """The score, less what the worst day takes from it."""
        return worth(self.grid, self.days)

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
        return worth(self.grid, self.days + np.einsum("k,dkc->dc", move, self.slopes))

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
