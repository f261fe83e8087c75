"""Films and meshes that a search has had computed, kept for the tests after it.

A film follows from its mesh, its rules and its coat alone, bit for bit, whatever else is computed
beside it (`tests/planning/test_search.py` holds that). Searches with one seed ask for the same
films again and again.
"""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from evenwall.geometry.film_mesh import remesh
from evenwall.numerics.film import Coat
from evenwall.planning.walls import Grid, films

Array = NDArray[np.float64]


class KnownFilms:
    """Takes the place of `evenwall.planning.walls.films`, and computes no film twice."""

    def __init__(self) -> None:
        self.known: dict[bytes, Array] = {}
        self._meshes: dict[int, tuple[Grid, bytes]] = {}  # the grid is kept, and so is its id

    def _stamp(self, grid: Grid) -> bytes:
        if id(grid) not in self._meshes:
            mesh = grid.mesh
            told = pickle.dumps((mesh.points, mesh.triangles, mesh.rim, grid.numerics))
            self._meshes[id(grid)] = grid, hashlib.sha256(told).digest()
        return self._meshes[id(grid)][1]

    def __call__(
        self,
        grid: Grid,
        batch: Sequence[Coat],
        threads: int,
        rim_open: bool = False,
        halt: Callable[[], bool] | None = None,
    ) -> Array:
        stamp = self._stamp(grid)
        keys = [hashlib.sha256(stamp + pickle.dumps((coat, rim_open))).digest() for coat in batch]
        new = {key: coat for key, coat in zip(keys, batch, strict=True) if key not in self.known}
        if new:
            made = films(grid, list(new.values()), threads, rim_open, halt)
            self.known.update(zip(new, made, strict=True))
        return np.array([self.known[key] for key in keys])


class KnownMeshes:
    """Takes the place of `evenwall.planning.walls.remesh`, and draws no mesh twice."""

    def __init__(self) -> None:
        self.known: dict[bytes, tuple[Array, NDArray[np.int64]]] = {}

    def __call__(
        self, points: Array, triangles: NDArray[np.int64], edge_m: float
    ) -> tuple[Array, NDArray[np.int64]]:
        key = hashlib.sha256(pickle.dumps((points, triangles, edge_m))).digest()
        if key not in self.known:
            self.known[key] = remesh(points, triangles, edge_m)
        points, triangles = self.known[key]
        return points.copy(), triangles.copy()
