"""Find triangles of a mesh that intersect each other."""

from __future__ import annotations

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from evenwall.geometry.surface import Array, Index, MouldError


def check_crossings(mesh: trimesh.Trimesh) -> None:
    pairs = crossings(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    if len(pairs):
        at = np.asarray(mesh.triangles_center)[pairs[0, 0]]
        raise MouldError(
            "mesh",
            len(pairs),
            "must not cut through itself",
            unit="crossings",
            hint=f"the first is near {[round(float(x), 1) for x in at]} mm",
        )


def crossings(points: Array, triangles: Index) -> Index:
    """Return pairs of triangles where an edge of one pierces the inside of the other: shape (k, 2).

    Candidates have overlapping bounding boxes. The test is that the segment crosses the plane at
    barycentric coordinates inside by 1e-7. Touching and coplanar pairs do not count.
    """
    corners = points[triangles]
    low, high = corners.min(axis=1), corners.max(axis=1)
    # Project onto a plane in which few boxes overlap: drop the mesh's shortest extent.
    keep = np.sort(np.argsort(np.ptp(points, axis=0))[1:])
    boxes = shapely.box(low[:, keep[0]], low[:, keep[1]], high[:, keep[0]], high[:, keep[1]])
    first, second = shapely.STRtree(boxes).query(boxes)
    ordered = first < second
    first, second = first[ordered], second[ordered]
    overlap = ((low[first] <= high[second]) & (low[second] <= high[first])).all(axis=1)
    first, second = first[overlap], second[overlap]
    shared = (triangles[first][:, :, None] == triangles[second][:, None, :]).any(axis=(1, 2))
    first, second = first[~shared], second[~shared]
    hit = np.zeros(len(first), dtype=bool)
    for a, b in ((first, second), (second, first)):
        for k in range(3):
            hit |= _pierces(corners[a, k], corners[a, (k + 1) % 3], corners[b])
    return np.column_stack([first[hit], second[hit]])


def _pierces(start: Array, end: Array, corners: Array) -> NDArray[np.bool_]:
    """Whether each segment, ends (k, 3), pierces its triangle (k, 3, 3) (Moller and Trumbore
    1997)."""
    e1, e2 = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    along = end - start
    p = np.cross(along, e2)
    det = np.einsum("ij,ij->i", e1, p)
    scale = np.linalg.norm(e1, axis=1) * np.linalg.norm(e2, axis=1) * np.linalg.norm(along, axis=1)
    flat = np.abs(det) <= 1e-9 * scale
    det = np.where(flat, 1.0, det)
    s = start - corners[:, 0]
    u = np.einsum("ij,ij->i", s, p) / det
    q = np.cross(s, e1)
    v = np.einsum("ij,ij->i", along, q) / det
    t = np.einsum("ij,ij->i", e2, q) / det
    eps = 1e-7
    inside = (u > eps) & (v > eps) & (u + v < 1 - eps) & (t > eps) & (t < 1 - eps)
    return np.asarray(inside & ~flat)
