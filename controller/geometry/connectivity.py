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
    all_keys = edge_keys(half, count)
    order = stable_order(all_keys)
    keys = all_keys[order]
    first = np.ones(len(keys), dtype=bool)
    first[1:] = keys[1:] != keys[:-1]
    start = np.flatnonzero(first)
    uses = np.diff(start, append=len(keys))
    inverse = np.empty(len(keys), dtype=np.int64)
    inverse[order] = np.cumsum(first) - 1
    keys = keys[start]
    sides = np.full((len(keys), 2), -1, dtype=np.int64)
    sides[:, 0] = order[start]
    double = uses == 2
    sides[double, 1] = order[start[double] + 1]
    pairs = np.column_stack([keys // count, keys % count])
    return Edges(pairs, keys, inverse.reshape(-1, 3), sides)


def edge_keys(pairs: Index, count: int) -> Index:
    """Return one number per pair of points (k, 2), the same for both directions: shape (k,)."""
    one, other = pairs[:, 0], pairs[:, 1]
    return np.asarray(np.minimum(one, other) * count + np.maximum(one, other))


def stable_order(values: Index) -> Index:
    """Return the order of values from 0 up, equal ones in the order of their places: shape (n,).

    The place is packed below the value, so that one sort of plain numbers does, which is several
    times as fast as a stable sort of places.
    """
    bits = len(values).bit_length()
    if len(values) and int(values.max()).bit_length() + bits > 63:
        return np.argsort(values, kind="stable")
    packed = (values.astype(np.int64) << bits) | np.arange(len(values))
    packed.sort()
    return np.asarray(packed & ((1 << bits) - 1))


def among(values: Index, ordered: Index) -> Bools:
    """Whether each value is one of `ordered`, which ascends: shape of `values`."""
    if not len(ordered):
        return np.zeros(values.shape, dtype=bool)
    at = np.minimum(np.searchsorted(ordered, values), len(ordered) - 1)
    return np.asarray(ordered[at] == values)


def dot(u: Floats, v: Floats) -> Floats:
    """Products of the vectors (..., 3) of two arrays. For so few numbers in a row, a sum along an
    axis takes several times as long."""
    return np.asarray(u[..., 0] * v[..., 0] + u[..., 1] * v[..., 1] + u[..., 2] * v[..., 2])


def sizes(vectors: Floats) -> Floats:
    """Lengths of vectors (..., 3)."""
    return np.asarray(np.sqrt(dot(vectors, vectors)))


def cross(u: Floats, v: Floats) -> Floats:
    """Vector products of vectors (n, 3)."""
    (ux, uy, uz), (vx, vy, vz) = u.T, v.T
    return np.column_stack([uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx])


def lengths(points: Floats, pairs: Index) -> Floats:
    """Distance between the two points of each pair: shape (k,)."""
    return sizes(points[pairs[:, 1]] - points[pairs[:, 0]])


def face_vectors(points: Floats, triangles: Index) -> Floats:
    """Normal of each triangle times twice its area: shape (m, 3)."""
    first = points[triangles[:, 0]]
    return cross(points[triangles[:, 1]] - first, points[triangles[:, 2]] - first)


def triangles_at(triangles: Index, count: int) -> tuple[Index, Index]:
    """Return the triangles at each point, as (start, list).

    Those at point v are list[start[v]:start[v + 1]]; start has shape (count + 1,).
    """
    flat = triangles.ravel()
    order = stable_order(flat)
    start = np.concatenate([[0], np.cumsum(np.bincount(flat, minlength=count))])
    return start, order // 3


def expand(start: Index, listed: Index, rows: Index) -> tuple[Index, Index]:
    """Return the listed items of several rows at once, as (index of the row, item)."""
    size = start[rows + 1] - start[rows]
    which = np.repeat(np.arange(len(rows)), size)
    within = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
    return which, listed[start[rows][which] + within]
