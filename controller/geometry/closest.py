"""Closest points on a triangle mesh and on its curves, for many points at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from evenwall.geometry.connectivity import dot, face_vectors, sizes

Floats = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

CANDIDATES = 8  # nearest middles; among triangles of similar size one of them is right


def on_triangles(points: Floats, corners: Floats) -> Floats:
    """Return the closest point of one triangle to each point: points (..., 3), corners (..., 3, 3).

    The region of the plane decides between corner, side and inside (Ericson 2005, Real-Time
    Collision Detection, section 5.1.5). Here the nearest of the foot in the plane, if it is inside,
    and of the closest points on the three sides is taken.
    """
    return _nearest(points, corners[..., 0, :], corners[..., 1, :], corners[..., 2, :])


def _nearest(points: Floats, a: Floats, b: Floats, c: Floats) -> Floats:
    ab, ac, ap = b - a, c - a, points - a
    d00, d01, d11 = dot(ab, ab), dot(ab, ac), dot(ac, ac)
    d20, d21 = dot(ap, ab), dot(ap, ac)
    scale = d00 * d11 - d01 * d01
    scale = np.where(scale > 0.0, scale, 1.0)
    v, w = (d11 * d20 - d01 * d21) / scale, (d00 * d21 - d01 * d20) / scale
    best = a + v[..., None] * ab + w[..., None] * ac
    inside = (v >= 0.0) & (w >= 0.0) & (v + w <= 1.0)
    far = np.where(inside, dot(best - points, best - points), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        foot = on_segments(points, start, end)
        off = dot(foot - points, foot - points)
        nearer = off < far
        best = np.where(nearer[..., None], foot, best)
        far = np.where(nearer, off, far)
    return best


def on_segments(points: Floats, start: Floats, end: Floats) -> Floats:
    """Return the closest point of one segment to each point, all (..., 3)."""
    along = end - start
    square = dot(along, along)
    t = dot(points - start, along) / np.where(square > 0.0, square, 1.0)
    return np.asarray(start + np.clip(t, 0.0, 1.0)[..., None] * along)


class Surface:
    """A triangle mesh onto which points are projected. Its triangles should be of like size."""

    def __init__(self, points: Floats, triangles: Index) -> None:
        """Take points (n, 3) and triangles (m, 3)."""
        self._corners = [points[triangles[:, k]] for k in range(3)]
        normal = face_vectors(points, triangles)
        self._normal = normal / np.maximum(sizes(normal), 1e-300)[:, None]
        self._tree = cKDTree(points[triangles].mean(axis=1))
        self._most = min(CANDIDATES, len(triangles))

    def closest(self, points: Floats, normals: Floats) -> Floats:
        """Return the closest points of triangles that face as `normals` do: both (n, 3).

        A sheet that faces the other way (the far side of a thin wall) is left out, unless
        there is no other near.
        """
        _, near = self._tree.query(points, k=self._most)
        near = near.reshape(len(points), self._most)
        feet = _nearest(points[:, None, :], *(corner[near] for corner in self._corners))
        off = sizes(feet - points[:, None, :])
        against = np.einsum("nki,ni->nk", self._normal[near], normals) < 0.0
        off = np.where(against & ~against.all(axis=1)[:, None], np.inf, off)
        return np.asarray(feet[np.arange(len(points)), off.argmin(axis=1)])


class Curves:
    """Segments onto which points are projected. They should be of like length."""

    def __init__(self, points: Floats, pairs: Index) -> None:
        """Take points (n, 3) and segments (k, 2)."""
        self._start, self._end = points[pairs[:, 0]], points[pairs[:, 1]]
        self._tree = cKDTree(0.5 * (self._start + self._end))
        self._most = min(CANDIDATES, len(pairs))

    def closest(self, points: Floats) -> Floats:
        """Return the closest points of the curves, (n, 3)."""
        _, near = self._tree.query(points, k=self._most)
        near = near.reshape(len(points), self._most)
        feet = on_segments(points[:, None, :], self._start[near], self._end[near])
        off = sizes(feet - points[:, None, :])
        return np.asarray(feet[np.arange(len(points)), off.argmin(axis=1)])
