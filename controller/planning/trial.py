"""Short trials of spins: how even a wall a casting allows, in a few seconds of one core."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenwall.errors import PlanError
from evenwall.geometry.mould import Cavity
from evenwall.model import Casting, RigSpec, Vector3
from evenwall.planning.context import PlanningContext
from evenwall.planning.effort import Effort
from evenwall.planning.search import Found, Search
from evenwall.planning.walls import COARSE, Budget

# One mesh of few cells and two rounds of recipes: a few seconds of one core.
TRIAL = Effort(7.0, 700, 2, 32, 0, (), (), 7.0, 700)
# Smallest difference of two trials' thinnest patches that counts. With four seeds the trials of one
# mounting of a leaning egg scattered by 0.03 (standard deviation), and the better mounting was
# always ahead.
DIFFERENT = 0.04


@dataclass(frozen=True)
class Tried:
    """Result of a short trial.

    thinnest, bound: the thinnest patch over the mean wall of the best coats tried, and of any
    mixture of single coats, on the trial's mesh. place_mm: the thinnest patch, in the mesh's frame.
    """

    thinnest: float
    bound: float
    coats: int
    place_mm: Vector3


class _Trial(Search):
    """First part of a search: recipes on one coarse mesh."""

    def run(self) -> Found:
        self.coarse = self._level(self._search_mm(), COARSE)
        pool = self._explore(self.coarse)
        self.found.bound = pool.mixed.lowest
        return self.found


def tried(casting: Casting, rig: RigSpec, cavity: Cavity, seed: int = 0) -> Tried:
    """Try spins of a casting in this cavity. Raises PlanError where no plan of it can work."""
    context = PlanningContext(casting, rig, cavity)
    count, batch = context.first_batch()
    pour = context.pour(*context.series(batch, count).batches)
    search = _Trial(cavity, pour, count, seed, TRIAL, None, lambda _part, _words: None, Budget())
    found = search.run()
    if found.statistics is None or found.grid is None:
        raise PlanError("mount.minor_axis", casting.mount.minor_axis, "no spin could be tried")
    at_m = found.grid.mesh.points[found.statistics.min_cell]
    x, y, z = (float(part) for part in cavity.rotation.T @ at_m * 1e3 + cavity.crossing_mm)
    return Tried(
        float(found.statistics.min / found.statistics.mean),
        float(np.nan if found.bound is None else found.bound),
        count,
        (x, y, z),
    )
