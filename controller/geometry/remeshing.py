"""Remeshing: nearly equilateral triangles of a wanted edge on the same surface.

Each round splits, collapses and flips edges, then relaxes the points along the surface (Botsch and
Kobbelt 2004, A Remeshing Approach to Multiresolution Modeling, Symposium on Geometry Processing).
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from evenwall.geometry.closest import Curves, Surface
from evenwall.geometry.connectivity import (
    Bools,
    Edges,
    Floats,
    Index,
    edges_of,
    face_vectors,
    sizes,
)
from evenwall.geometry.edits import (
    Ends,
    Sheet,
    collapse,
    flip_to_delaunay,
    flip_to_valence,
    split,
)

CREASE_DEG = 45.0  # an edge bent more than this is kept as a crease
CREASE_LEAST = 3.0  # in spacings: a shorter crease counts as roughness
CORNER_DEG = 30.0  # a curve that turns by more keeps its corner
LONG, SHORT = 4.0 / 3.0, 4.0 / 5.0  # in spacings (Botsch and Kobbelt 2004, section 4)
TOO_SHORT, TOO_LONG = 0.65, 1.7  # in spacings, once the rounds are over
ROUNDS, RELAXING, FINISH = 8, 4, 6
RIM_WEIGHT = 2.0  # as if the surface continued beyond the rim
STEP = 0.7  # share of the way to the neighbours' middle
LEAST_FACING = 0.2  # cosine: a point stays if its move would turn a triangle by more


def isotropic(points: Floats, triangles: Index, edge: float) -> tuple[Floats, Index]:
    """Return points (n, 3) and triangles (m, 3) of about the wanted edge, winding kept.

    The surface may have rims; it must be a manifold. Lengths are in the points' unit.
    """
    sheet = Sheet(points, triangles, creases_of(points, triangles, edge))
    fine = split(sheet, LONG * edge)
    ground = Ground(fine)
    sheet, aim = fine, edge
    for _ in range(ROUNDS):
        sheet = split(sheet, LONG * aim)
        sheet = collapse(sheet, SHORT * aim, LONG * aim)
        sheet = flip_to_valence(sheet)
        sheet = ground.relaxed(sheet, RELAXING)
        aim *= np.clip(edge / spacing(sheet.points, sheet.triangles), 0.9, 1.1)
    for _ in range(FINISH):
        sheet = collapse(sheet, TOO_SHORT * aim, TOO_LONG * aim, aim)
        sheet = flip_to_delaunay(sheet)
        sheet = ground.relaxed(sheet, RELAXING)
    return sheet.points, flip_to_delaunay(sheet).triangles


def spacing(points: Floats, triangles: Index) -> float:
    """Edge length of as many equilateral triangles that cover the same area."""
    double_area = np.linalg.norm(face_vectors(points, triangles), axis=1)
    return float(np.sqrt(double_area.mean() / (2.0 * 0.25 * np.sqrt(3.0))))


def creases_of(points: Floats, triangles: Index, edge: float) -> Index:
    """Return the edges bent by over CREASE_DEG that form creases of some length, (k, 2)."""
    edges = edges_of(triangles, len(points))
    face = face_vectors(points, triangles)
    face /= np.maximum(sizes(face), 1e-300)[:, None]
    inner = ~edges.boundary
    one, other = edges.sides[inner].T // 3
    bent = np.einsum("ij,ij->i", face[one], face[other]) < np.cos(np.radians(CREASE_DEG))
    pairs = edges.pairs[inner][bent]
    if not len(pairs):
        return np.asarray(pairs)
    links = sparse.coo_array((np.ones(len(pairs)), pairs.T), shape=(len(points), len(points)))
    _, group = connected_components(links, directed=False)
    low, high = np.full((len(points), 3), np.inf), np.full((len(points), 3), -np.inf)
    np.minimum.at(low, group[pairs].ravel(), points[pairs].reshape(-1, 3))
    np.maximum.at(high, group[pairs].ravel(), points[pairs].reshape(-1, 3))
    reach = np.linalg.norm(high - low, axis=1)[group[pairs[:, 0]]]
    return np.asarray(pairs[reach >= CREASE_LEAST * edge])


class Ground:
    """The surface that a sheet is kept on: its triangles, its rim and its creases."""

    def __init__(self, fine: Sheet) -> None:
        """Take the surface itself, split into triangles of similar size."""
        self._surface = Surface(fine.points, fine.triangles)
        rim = fine.edges()
        pairs = rim.pairs[rim.boundary]
        self._rim = Curves(fine.points, pairs) if len(pairs) else None
        self._creases = Curves(fine.points, fine.creases) if len(fine.creases) else None

    def relaxed(self, sheet: Sheet, times: int) -> Sheet:
        """Move the points towards the middle of their neighbours, along the surface."""
        edges = sheet.edges()
        curve = sheet.on_curves(edges)
        ends = Ends.of(edges.pairs[curve], sheet.count)
        x = sheet.points
        for _ in range(times):
            x = self._once(x, sheet.triangles, edges, ends)
        return Sheet(x, sheet.triangles, sheet.creases)

    def _once(self, x: Floats, t: Index, edges: Edges, ends: Ends) -> Floats:
        face = face_vectors(x, t)
        double_area = sizes(face)
        normals = np.zeros_like(x)
        weight = np.zeros(len(x))
        for k in range(3):
            np.add.at(normals, t[:, k], face)
            weight += np.bincount(t[:, k], double_area, minlength=len(x))
        normals /= np.maximum(sizes(normals), 1e-300)[:, None]
        # A rim point has surface on one side only. Without a higher weight for it, the rest of the
        # sheet would move away from the rim.
        weight[edges.pairs[edges.boundary].ravel()] *= RIM_WEIGHT
        i, j = edges.pairs.T
        total = np.bincount(i, weight[j], minlength=len(x)) + np.bincount(
            j, weight[i], minlength=len(x)
        )
        middle = (
            np.column_stack(
                [
                    np.bincount(i, weight[j] * x[j, c], minlength=len(x))
                    + np.bincount(j, weight[i] * x[i, c], minlength=len(x))
                    for c in range(3)
                ]
            )
            / np.maximum(total, 1e-300)[:, None]
        )
        move = middle - x
        move -= np.einsum("ij,ij->i", move, normals)[:, None] * normals
        wanted = x.copy()
        inner = ends.degree == 0
        wanted[inner] = self._surface.closest((x + STEP * move)[inner], normals[inner])
        self._slide(x, wanted, edges, ends)
        return _without_folds(x, wanted, t, face, double_area)

    def _slide(self, x: Floats, wanted: Floats, edges: Edges, ends: Ends) -> None:
        """Move the points on curves along their curves, in `wanted`."""
        turning = ends.straightness(x) > np.cos(np.radians(CORNER_DEG))
        free = (ends.degree == 2) & turning
        rim = np.zeros(len(x), dtype=bool)
        rim[edges.pairs[edges.boundary].ravel()] = True
        for curves, mine in ((self._rim, free & rim), (self._creases, free & ~rim)):
            if curves is None or not mine.any():
                continue
            before, after = (x[ends.beside[mine, k]] for k in (0, 1))
            along = after - before
            along /= np.maximum(sizes(along), 1e-300)[:, None]
            move = 0.5 * (before + after) - x[mine]
            move = np.einsum("ij,ij->i", move, along)[:, None] * along
            wanted[mine] = curves.closest(x[mine] + STEP * move)


def _without_folds(
    x: Floats, wanted: Floats, t: Index, face: Floats, double_area: Floats
) -> Floats:
    """Return `wanted`, but keep points in place where the move would turn a triangle over."""
    for _ in range(10):
        made = face_vectors(wanted, t)
        size = double_area * sizes(made)
        folded: Bools = np.einsum("ij,ij->i", made, face) < LEAST_FACING * size
        back = np.unique(t[folded])
        back = back[(wanted[back] != x[back]).any(axis=1)]
        if not len(back):
            break
        wanted[back] = x[back]
    return wanted
