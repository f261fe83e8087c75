"""Outlook of a plan: its wall on every day and the effect of each of its biases, for polishing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenwall.planning import polish
from evenwall.planning.level import Level
from evenwall.planning.mixing import (
    DAY_WEIGHT,
    LOW_WEIGHT,
    RIM_COST,
    RIM_SLACK,
    SHORT_COST,
    WORST_WANTED,
    measures,
    worth,
)
from evenwall.planning.polish import Aim
from evenwall.planning.recipe import Recipe, within_limits
from evenwall.planning.space import SPACE, moved
from evenwall.planning.walls import AS_PLANNED, Day, Grid, Pour

Array = NDArray[np.float64]
Number = tuple[int, str]  # of a plan: the coat, and the field of its recipe
Move = dict[Number, float]  # the number of steps by which each is moved

NUDGE = 0.35  # of a step in SPACE: small enough for the film to respond linearly


@dataclass(frozen=True)
class Knob:
    """One number of one coat that may be changed. `nudged` is the recipe after a change by `amount`
    steps."""

    coat: int
    name: str
    amount: float
    nudged: Recipe

    @property
    def number(self) -> Number:
        return self.coat, self.name


def knobs(recipes: tuple[Recipe, ...], pour: Pour) -> list[Knob]:
    """Return the numbers of these coats to which the film responds linearly: their biases. Speeds,
    ratios and times shift the phase at which a leg begins, and the film responds to those in jumps.
    The smallest of the rim legs is left out, so that the films of three coats fill two kernels and
    need no third."""
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
    """Return whether the effect of a number is computed again for this day. It depends on the gel
    time and hardly on the viscosity."""
    return day is AS_PLANNED or day.gel != 1.0


def films_for(
    recipes: tuple[Recipe, ...], knobs: list[Knob], days: Sequence[Day]
) -> list[tuple[Recipe, Day]]:
    """Return the films that `Outlook.of` needs. A ripple is an unintended bias, so where biases
    were changed, its effect follows from theirs."""
    own = [(recipe, day) for recipe in recipes for day in days if not (knobs and day.ripple)]
    return own + [(knob.nudged, day) for knob in knobs for day in days if turns_anew(day)]


@dataclass(frozen=True, eq=False)
class Outlook:
    """A plan on every day, and the effect of its numbers. Films over the mean as planned: days (1 +
    bad days, cells), slopes (1 + bad days, knobs, cells) for a step of each number."""

    grid: Grid
    recipes: tuple[Recipe, ...]
    knobs: list[Knob]
    days: Array
    slopes: Array

    @staticmethod
    def of(
        level: Level, recipes: tuple[Recipe, ...], knobs: list[Knob], days: Sequence[Day]
    ) -> Outlook:
        """Return the outlook from the films of `films_for`. days: as planned, then the bad ones."""
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
        """Return the outlook from films that the level has, with all biases of a coat changed
        alike, as a ripple (the last of these days) changes them."""
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
        """Return the score, less the cost of the worst day."""
        return worth(self.grid, self.days)

    def promised(self, move: Move) -> float:
        """Return the score after a move, assuming that the films respond linearly."""
        return worth(self.grid, self._days_after([move.get(k.number, 0.0) for k in self.knobs]))

    def thinnest(self, move: Move) -> float:
        """Return the thinnest patch over the mean as planned, after such a move."""
        after = self._days_after([move.get(k.number, 0.0) for k in self.knobs])
        return float(measures(self.grid, after[:1])[0][0])

    def carried_to(self, recipes: tuple[Recipe, ...]) -> Outlook:
        """Return the outlook of recipes that differ only in their biases, assuming a linear
        response."""
        steps = [
            (getattr(recipes[k.coat], k.name) - getattr(self.recipes[k.coat], k.name))
            / SPACE[k.name][2]
            for k in self.knobs
        ]
        return replace(self, recipes=recipes, days=self._days_after(steps))

    def _days_after(self, steps: Sequence[float]) -> Array:
        return np.asarray(self.days + np.einsum("k,dkc->dc", np.array(steps), self.slopes))

    def moved(self, move: Move, pour: Pour) -> tuple[Recipe, ...]:
        """Return the recipes after a move. A recipe that the rig could not follow is moved by a
        half or a quarter of it."""
        found = list(self.recipes)
        for k, recipe in enumerate(self.recipes):
            steps = {name: by for (coat, name), by in move.items() if coat == k}
            for part in (1.0, 0.5, 0.25):
                new = moved(recipe, {name: part * by for name, by in steps.items()}, pour)
                if within_limits(new, pour.clock(new), pour.rig):
                    found[k] = new
                    break
        return tuple(found)


def best_move(meshes: Sequence[Outlook], trust: float) -> Move:
    """Return the best move of all numbers together, none by more than `trust` steps, for one plan
    on these meshes. The thinnest patch of all meshes counts; a number that one mesh does not have
    stays as it is."""
    known = [[knob.number for knob in one.knobs] for one in meshes]
    numbers = [number for number in known[-1] if all(number in some for some in known)]
    if not numbers:
        return {}
    patches, slopes, rims, rim_slopes = [], [], [], []
    for one, some in zip(meshes, known, strict=True):
        weights, picked = one.grid.weights, one.slopes[:, [some.index(n) for n in numbers]]
        patches.append(weights.patch_means(one.days.T).T)
        slopes.append(np.array([weights.patch_means(day.T).T for day in picked]))
        rim = np.full(len(weights.area), math.nan) if weights.rim is None else weights.rim
        rims.append(one.days[0] @ rim)
        rim_slopes.append(picked[0] @ rim)
    steps = polish.best_move(
        np.concatenate(patches, axis=1),
        np.concatenate(slopes, axis=2),
        float(np.mean(rims)),
        np.mean(rim_slopes, axis=0),
        [(-trust, trust)] * len(numbers),
        Aim(DAY_WEIGHT, WORST_WANTED, SHORT_COST, LOW_WEIGHT, RIM_SLACK, RIM_COST),
    )
    return {number: float(step) for number, step in zip(numbers, steps, strict=True)}
