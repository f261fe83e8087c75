"""Recipes tried on one mesh, and their leading combinations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenwall.planning.level import Level
from evenwall.planning.mixing import (
    Strain,
    best_sums,
    combinations,
    mixture,
    rate,
    score,
)
from evenwall.planning.recipe import Recipe, in_order
from evenwall.planning.walls import Grid

Array = NDArray[np.float64]

LEADERS = 60  # combinations examined closely
COMBINED = 48  # recipes whose combinations are all summed
STRAINED = 16  # of these, those whose bad days are computed too


class Pool:
    """Recipes tried on one mesh, with the results of their combinations.

    placed: each recipe belongs to one coat, and a combination has one recipe for each coat.
    """

    def __init__(self, placed: bool = False) -> None:
        self.placed = placed
        self.recipes: list[Recipe] = []
        self.leaders: list[tuple[int, ...]] = []

    def add(
        self,
        level: Level,
        fresh: Sequence[Recipe],
        coats: int,
        rough: Level | None,
    ) -> None:
        """Add recipes. rough: the mesh on which bad days are computed, or None to leave them
        out."""
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
            sums = best_sums(grid, self.maps[keep], coats, base, self._of(keep))
            some = list(dict.fromkeys(sums.ravel().tolist()))[:STRAINED]
            if (of := self._of(keep)) is not None:  # at least one of every coat
                some += [int(np.flatnonzero(of == k)[0]) for k in set(of) - set(of[some])]
            keep = keep[some]
            strained = rough.strained([self.recipes[int(i)] for i in keep])
            strain = Strain(rough.grid, strained, rough.base)
        of = self._of(keep)
        found = combinations(grid, self.maps[keep], coats, LEADERS, base, strain, of)
        self.leaders = [tuple(int(keep[i]) for i in one) for one in found]

    def _of(self, keep: NDArray[np.int64]) -> NDArray[np.int64] | None:
        if not self.placed:
            return None
        return np.array([self.recipes[int(i)].coat for i in keep])

    def bettered_by(self, films: Array) -> Array:
        """Return the best score that each of these films, (k, patches and rim) over the mean, would
        give in place of one coat of a leading combination, (k,)."""
        best = np.full(len(films), -np.inf)
        for one in self.leaders[:12]:
            for coat in set(one):
                total = self.under + self.seen[list(one)].sum(axis=0) - self.seen[coat] + films
                value = score(total[:, :-1].min(axis=1) / self.total, total[:, -1] / self.total)
                best = np.maximum(best, value)
        return best

    def _worth_combining(self, grid: Grid) -> NDArray[np.int64]:
        """Return the recipes worth combining: past leaders, those of the mixture, the best single
        ones, and the best by dual prices."""
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

    def placed_first(self, level: Level, coats: int) -> list[Recipe]:
        """Return the leaders' recipes, each for its coat, and then the others, coat by coat."""
        leading = [recipe for one in self.leaders for recipe in in_order(self.named(one))]
        others = self.best_first(level)
        return list(
            dict.fromkeys(
                [*leading, *(replace(one, coat=k % coats) for k, one in enumerate(others))]
            )
        )

    def best_first(self, level: Level) -> list[Recipe]:
        wanted = [
            *(i for one in self.leaders for i in one),
            *np.argsort(-self.mixed.shares, kind="stable")[:12],
            *np.argsort(-rate(level.grid, self.maps), kind="stable"),
        ]
        return [self.recipes[i] for i in dict.fromkeys(int(i) for i in wanted)]
