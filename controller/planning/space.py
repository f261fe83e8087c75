"""Space of recipes: random draws, variations and steps, and the distance of two recipes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenwall.planning.recipe import GOLDEN, Recipe, eased, within_limits
from evenwall.planning.walls import Pour

Array = NDArray[np.float64]

NEAR, BESIDE = 0.25, 0.05  # in `features`: recipes closer than this count as the same
MOST_IN_VAIN = 20  # drawn recipes that the rig cannot follow, for each one wanted
BASELINE = Recipe(ratio=4.0, spread_share=0.08)

# Range of each number of a recipe, (low, high), and the size of one step of a change.
SPACE = {
    "ratio": (0.2, 7.0, 0.22),  # these two as logarithms
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


def baseline(pour: Pour) -> Recipe:
    """Return the 4:1 for comparison, as this rig can follow it, for the coat in the middle."""
    plain = replace(BASELINE, coat=pour.usual)
    return eased(plain, pour.clock(plain), pour.rig)


def first_recipes(pour: Pour, rng: np.random.Generator, count: int) -> list[Recipe]:
    """Return the 4:1 at four speeds, some recipes that are often good, and then random ones."""
    top = 0.95 * pour.rig.rate_limit_rpm
    plain = baseline(pour)
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
        one = replace(recipe, stand=(k % 2) * (pour.stands - 1), coat=pour.usual)
        if within_limits(one, pour.clock(one), pour.rig):
            found.append(one)
    return [*found, *draw(pour, rng, count - len(found))][:count]


def draw(pour: Pour, rng: np.random.Generator, count: int) -> list[Recipe]:
    """Draw random recipes from the whole range that the rig can follow."""
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
            stand=int(rng.integers(pour.stands)),
            coat=pour.usual,
        )
        if in_vain > MOST_IN_VAIN * count:  # a rig that can follow hardly any recipe
            one = eased(one, pour.clock(one), pour.rig)
        if within_limits(one, pour.clock(one), pour.rig):
            found.append(one)
        else:
            in_vain += 1
    return found


def vary(recipe: Recipe, pour: Pour, rng: np.random.Generator) -> Recipe:
    """Return a random neighbour of a recipe that the rig can follow."""
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
            new = replace(new, stand=int(rng.integers(pour.stands)))
        if new != recipe and within_limits(new, pour.clock(new), pour.rig):
            return new
    return recipe


def moved(recipe: Recipe, steps: dict[str, float], pour: Pour) -> Recipe:
    """Return the recipe with some numbers changed by a number of steps and kept in their range."""
    changes: dict[str, Any] = {}
    for name, amount in steps.items():
        low, high, step = SPACE[name]
        high = pour.rig.rate_limit_rpm if name == "level_rpm" else high
        value, change = getattr(recipe, name), amount * step
        value = value * math.exp(change) if name in LOGS else value + change
        changes[name] = float(np.clip(value, low, high))
    return replace(recipe, **changes)


def features(recipes: Sequence[Recipe]) -> Array:
    """Return recipes as points (n, 13), in which neighbours turn in a similar way."""
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


def apart(ranked: Sequence[Recipe], count: int, near: float) -> list[Recipe]:
    """Return the first few recipes that are not close to each other."""
    points = features(ranked)
    chosen: list[int] = []
    for k in range(len(ranked)):
        if len(chosen) == count:
            break
        if all(np.linalg.norm(points[k] - points[j]) > near for j in chosen):
            chosen.append(k)
    return [ranked[k] for k in chosen]


def unlike(plans: Sequence[tuple[Recipe, ...]], count: int) -> list[tuple[Recipe, ...]]:
    """Return the first few of these plans, each with a coat that is unlike every coat of the
    others."""
    chosen: list[tuple[Recipe, ...]] = []

    def resembles(plan: tuple[Recipe, ...], other: tuple[Recipe, ...]) -> bool:
        far = np.linalg.norm(features(plan)[:, None] - features(other)[None], axis=2)
        return bool((far.min(axis=1) <= BESIDE).all())

    for plan in plans:
        if len(chosen) < count and not any(resembles(plan, other) for other in chosen):
            chosen.append(plan)
    return chosen
