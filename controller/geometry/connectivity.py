"""Connectivity of a triangle mesh: its edges, and the triangles on their sides and at each
point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Edges:
    """The edges of a triangle mesh.

    pairs        (e, 2)  ends, first < second
    keys         (e,)    first * count + second, ascending
    of_triangle  (m, 3)  the edge opposite corner k of each triangle
    sides        (e, 2)  triangle * 3 + corner opposite the edge, one for each of its (at most
                         two) triangles; -1 where there is none
    """

    pairs: Index
    keys: Index
    of_triangle: Index
    sides: Index

    @property
    def boundary(self) -> Bools:
        """Whether each edge has one triangle only, (e,)."""
        return np.asarray(self.sides[:, 1] < 0)


def edges_of(triangles: Index, count: int) -> Edges:
    """Return the edges of triangles (m, 3) over `count` points.

    An edge must have one or two triangles.
    """
    half = triangles[:, [1, 2, 2, 0, 0, 1]].reshape(-1, 2)
    keys, inverse, uses = np.unique(
        half.min(axis=1) * count + half.max(axis=1), return_inverse=True, return_counts=True
    )
    order = np.argsort(inverse, kind="stable")
    start = np.cumsum(uses) - uses
    sides = np.full((len(keys), 2), -1, dtype=np.int64)
    sides[:, 0] = order[start]
    double = uses == 2
    sides[double, 1] = order[start[double] + 1]
    pairs = np.column_stack([keys // count, keys % count])
    return Edges(pairs, keys, inverse.reshape(-1, 3), sides)


def edge_keys(pairs: Index, count: int) -> Index:
    """Return one number per pair of points (k, 2), the same for both directions: shape (k,)."""
    return np.asarray(pairs.min(axis=1) * count + pairs.max(axis=1))


def lengths(points: Floats, pairs: Index) -> Floats:
    """Distance between the two points of each pair: shape (k,)."""
    return np.asarray(np.linalg.norm(points[pairs[:, 1]] - points[pairs[:, 0]], axis=1))


def face_vectors(points: Floats, triangles: Index) -> Floats:
    """Normal of each triangle times twice its area: shape (m, 3)."""
    corners = points[triangles]
    return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])


def triangles_at(triangles: Index, count: int) -> tuple[Index, Index]:
    """Return the triangles at each point, as (start, list).

    Those at point v are list[start[v]:start[v + 1]]; start has shape (count + 1,).
    """
    flat = triangles.ravel()
    order = np.argsort(flat, kind="stable")
    start = np.concatenate([[0], np.cumsum(np.bincount(flat, minlength=count))])
    return start, order // 3


def expand(start: Index, listed: Index, rows: Index) -> tuple[Index, Index]:
    """Return the listed items of several rows at once, as (index of the row, item)."""
    size = start[rows + 1] - start[rows]
    which = np.repeat(np.arange(len(rows)), size)
    within = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
    return which, listed[start[rows][which] + within]
