"""A triangulated surface: its integrals, its rim, and the error that says how it is faulty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenwall.errors import InputError

Array = NDArray[np.float64]
Index = NDArray[np.int64]


class MouldError(InputError):
    """Error for a mesh that cannot be a mould. Its message names the fault and the figure."""


@dataclass(frozen=True, eq=False)
class Surface:
    """Integrals over a surface of unit density (SI), for the mass and inertia of a thin even skin.

    area_m2; centroid_m shape (3,); second_m4 shape (3, 3), the integral of x x^T about the origin.
    """

    area_m2: float
    centroid_m: Array
    second_m4: Array


def surface_integrals(points_m: Array, triangles: Index) -> Surface:
    """Return the exact integrals of 1, x and x x^T over a triangle mesh.

    With area A, corners a, b, c and s = a + b + c, a triangle's integral of x x^T is A/12 (a a^T +
    b b^T + c c^T + s s^T). This is the exact integral of a quadratic (any finite element text).
    """
    corners = points_m[triangles]
    edges = corners[:, 1:] - corners[:, :1]
    area = 0.5 * np.linalg.norm(np.cross(edges[:, 0], edges[:, 1]), axis=1)
    total = corners.sum(axis=1)
    second = np.einsum("t,tki,tkj->ij", area, corners, corners)
    second += np.einsum("t,ti,tj->ij", area, total, total)
    return Surface(
        float(area.sum()),
        (area[:, None] * total).sum(axis=0) / (3 * area.sum()),
        second / 12.0,
    )


def enclosed_volume(points: Array, triangles: Index, rim: Index) -> float:
    """Signed volume of a surface closed by a lid over its rim (a fan about the rim's middle), in
    the points' unit cubed.

    Divergence theorem: one sixth of the sum of the corners' triple products.
    """
    corners = points[triangles]
    volume = np.einsum("ti,ti->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    loop = points[rim]
    middle = loop.mean(axis=0)
    # The rim has its triangles' winding, so the lid's triangles have the opposite one.
    volume += np.einsum("ki,ki->", np.roll(loop, -1, axis=0), np.cross(loop, middle))
    return float(volume / 6.0)


def boundary_loops(triangles: Index) -> list[Index]:
    """Return the closed loops of edges that have one triangle, each in its triangles' winding.

    Raises MouldError where two loops touch at a corner.
    """
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    keys = np.sort(edges, axis=1)
    _, first, uses = np.unique(keys, axis=0, return_index=True, return_counts=True)
    border = edges[first[uses == 1]]
    after = dict(border.tolist())
    if len(after) < len(border):
        raise MouldError("mesh", "pinched", "two holes must not share a corner")
    loops = []
    while after:
        start, vertex = after.popitem()
        loop = [start]
        while vertex != start:
            loop.append(vertex)
            vertex = after.pop(vertex)
        loops.append(np.array(loop, dtype=np.int64))
    return sorted(loops, key=len, reverse=True)


def loop_area(loop: Array) -> float:
    """Area of a loop's projection along its own normal (the length of its vector area)."""
    return float(np.linalg.norm(0.5 * np.cross(loop, np.roll(loop, -1, axis=0)).sum(axis=0)))
