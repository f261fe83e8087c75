"""One mesh of a search, with its films and the coats already laid on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenwall.planning.mixing import measures
from evenwall.planning.recipe import Recipe
from evenwall.planning.walls import AS_PLANNED, BAD_DAYS, Day, Pour, Walls

Array = NDArray[np.float64]

# Gel early, gel late, and ripple from the rim: the days that differ most. An early gel is not the
# opposite of a late one: a late leg may gel before it is levelled again.
SCREEN = (BAD_DAYS[2], BAD_DAYS[3], BAD_DAYS[5])


class Level:
    """One mesh, with its films and the coats already laid on it."""

    def __init__(self, walls: Walls, laid: Sequence[tuple[Pour, Recipe]]) -> None:
        self.walls, self.grid, self.laid = walls, walls.grid, laid
        self.base = np.zeros(self.grid.mesh.cells)
        for pour, recipe in laid:
            self.base += replace(walls, pour=pour, known={}).of([(recipe, AS_PLANNED)])[0]

    def films(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> Array:
        found = self.walls.of([(recipe, day) for recipe in recipes])
        if not self.walls.pour.open:
            return found
        # Different amounts run over, so the films are compared as if the same amount had stayed.
        area = self.grid.weights.area
        return np.asarray(found * (self.walls.pour.mean_m * area.sum() / (found @ area))[:, None])

    def strained(self, recipes: Sequence[Recipe]) -> Array:
        """Return films (5, recipes, cells): as planned, on three bad days, and on the opposite of
        the last one, assuming a linear response."""
        days = (AS_PLANNED, *SCREEN)
        self.walls.of([(recipe, day) for recipe in recipes for day in days])
        planned, *bad = (self.films(recipes, day) for day in days)
        return np.array([planned, *bad, np.maximum(2.0 * planned - bad[-1], 0.0)])

    def total(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> Array:
        return np.asarray(self.films(recipes, day).sum(axis=0) + self.base)

    def mean(self, recipes: Sequence[Recipe]) -> float:
        """Return the statistics of the planned total, in metres."""
        area = self.grid.weights.area
        return float(self.total(recipes) @ area / area.sum())

    def lowest(self, recipes: Sequence[Recipe], day: Day = AS_PLANNED) -> float:
        """Return the thinnest patch over the mean."""
        return float(measures(self.grid, self.total(recipes, day)[None])[0][0])
