"""Mesh of the blind world: film cells on the triangles themselves, and a lid with its own cells.

The planner keeps its film at the vertices, with cotangent weights. Here every triangle is a cell,
and resin crosses a triangle's side along the tangent plane at the side's middle.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.spatial import Delaunay

from evenwall.geometry.mould import Cavity
from evenwall.geometry.remeshing import isotropic

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SMOOTHING = ((0.5, -0.53),) * 3  # Taubin 1995, SIGGRAPH: a step in, a larger step out
CURVES_MOST = 0.5  # of the correction for a curved wall, per film thickness over the side's spacing


@dataclass(frozen=True, eq=False)
class Surface:
    """Triangles as cells, m; wound so that their normals point into the cavity.

    points (v, 3); cells (n, 3) corners; lid (n,) true on the lid; edges (e, 2) cells on both sides,
    the second -1 on a rim; ends (e, 2) vertices; facing (e, 2) corners opposite in the two cells.
    """

    points: Floats
    cells: Ints
    lid: npt.NDArray[np.bool_]
    edges: Ints
    ends: Ints
    facing: Ints

    @cached_property
    def middle(self) -> Floats:
        """Centroids (n, 3)."""
        return np.asarray(self.points[self.cells].mean(axis=1))

    @cached_property
    def _face(self) -> Floats:
        a, b, c = (self.points[self.cells[:, k]] for k in range(3))
        return np.cross(b - a, c - a)

    @cached_property
    def area(self) -> Floats:
        """Areas (n,), m2."""
        return np.asarray(0.5 * np.linalg.norm(self._face, axis=1))

    @cached_property
    def normal(self) -> Floats:
        """The triangles' own unit normals (n, 3)."""
        return np.asarray(self._face / (2.0 * self.area[:, None]))

    @cached_property
    def vertex_normal(self) -> Floats:
        """Unit normals (v, 3) of the wall; the lid does not affect them.

        Each triangle weighs by its sine over its two sides' lengths, which is exact on a sphere
        (Max 1999, J. Graphics Tools 4:1). Weighted by area, cells of different size would ripple by
        a few per cent.
        """
        wall = ~self.lid
        total = np.zeros_like(self.points)
        corner = self.points[self.cells]
        side2 = [((corner[:, (k + 1) % 3] - corner[:, k]) ** 2).sum(axis=1) for k in range(3)]
        for k in range(3):
            share = self._face / (side2[k] * side2[(k + 2) % 3])[:, None]
            np.add.at(total, self.cells[wall, k], share[wall])
        bare = np.linalg.norm(total, axis=1) == 0.0
        if self.lid.any():
            total[bare] = self.normal[self.lid][0]
        return np.asarray(total / np.linalg.norm(total, axis=1)[:, None])

    @property
    def spacing_m(self) -> float:
        """Edge of the mean triangle."""
        return float(np.sqrt(self.area.mean() * 4.0 / np.sqrt(3.0)))

    @staticmethod
    def of(points: Floats, cells: Ints, lid: npt.NDArray[np.bool_] | None = None) -> Surface:
        """Build the neighbours of triangles (n, 3) over points (v, 3)."""
        half = np.concatenate([cells[:, [1, 2]], cells[:, [2, 0]], cells[:, [0, 1]]])
        owner = np.tile(np.arange(len(cells)), 3)
        opposite = cells.T.ravel()
        low, high = half.min(axis=1), half.max(axis=1)
        order = np.lexsort((high, low))
        low, high, owner, opposite = low[order], high[order], owner[order], opposite[order]
        first = np.ones(len(low), dtype=bool)
        first[1:] = (low[1:] != low[:-1]) | (high[1:] != high[:-1])
        at = np.flatnonzero(first)
        paired = np.append(~first[1:], False)[at]
        edges = np.column_stack([owner[at], np.where(paired, owner[(at + 1) % len(owner)], -1)])
        facing = np.column_stack(
            [opposite[at], np.where(paired, opposite[(at + 1) % len(owner)], opposite[at])]
        )
        marked = np.zeros(len(cells), dtype=bool) if lid is None else lid
        return Surface(points, cells, marked, edges, np.column_stack([low[at], high[at]]), facing)

    @cached_property
    def vertex_curvature(self) -> Floats:
        """k1 + k2 at the vertices (v,), 1/m, positive where the wall is hollow; 0 on rim and lid.

        The normals' own divergence over the cells around a vertex, not a cotangent formula.
        """
        bend = np.zeros(len(self.points))
        around = np.zeros(len(self.points))
        corner = self.points[self.cells]
        normals = self.vertex_normal[self.cells]
        # div n over a triangle, of the linear interpolant: sum of n_k . grad(lambda_k).
        divergence = np.zeros(len(self.cells))
        for k in range(3):
            across = np.cross(self.normal, corner[:, (k + 2) % 3] - corner[:, (k + 1) % 3])
            divergence += (normals[:, k] * across).sum(axis=1) / (2.0 * self.area)
        for k in range(3):
            np.add.at(bend, self.cells[:, k], np.where(self.lid, 0.0, -divergence * self.area))
            np.add.at(around, self.cells[:, k], np.where(self.lid, 0.0, self.area))
        found = bend / np.maximum(around, 1e-300)
        edge_of_all = np.zeros(len(self.points), dtype=bool)
        edge_of_all[self.ends[self.edges[:, 1] < 0].ravel()] = True
        edge_of_all[self.cells[self.lid].ravel()] = True
        return np.asarray(np.where(edge_of_all, 0.0, found))

    @cached_property
    def to_vertices(self) -> sparse.csr_array:
        """(v, n): vertex values of a film in the cells, exact for a linear one.

        Inverse-distance least squares with the weights of Rausch, Batina and Yang 1992, AIAA J. 30
        (from memory): 1 + l . (x_c - x_v), clipped to 0..2 and made to sum to one.
        """
        rows, columns = self.cells.ravel(), np.repeat(np.arange(len(self.cells)), 3)
        away = self.middle[columns] - self.points[rows]
        n = self.vertex_normal[rows]
        away = away - n * (away * n).sum(axis=1)[:, None]
        count = len(self.points)
        second = np.zeros((count, 3, 3))
        np.add.at(second, rows, away[:, :, None] * away[:, None, :])
        total = np.zeros((count, 3))
        np.add.at(total, rows, away)
        size = np.trace(second, axis1=1, axis2=2)
        # A corner with a single cell has no slope: a trace of the total keeps the matrix regular.
        second += (1e-6 * size)[:, None, None] * np.eye(3)
        second += size[:, None, None] * (
            self.vertex_normal[:, :, None] * self.vertex_normal[:, None, :]
        )
        lead = -np.linalg.solve(second, total[:, :, None])[:, :, 0]
        weight = np.clip(1.0 + (lead[rows] * away).sum(axis=1), 0.0, 2.0)
        whole = np.bincount(rows, weight, minlength=count)
        return sparse.csr_array(
            (weight / whole[rows], (rows, columns)), shape=(count, len(self.cells))
        )

    @cached_property
    def bending(self) -> sparse.csr_array:
        """(v, v): the Laplacian of vertex values, 1/m2: gradients of the triangles over thirds."""
        corner = self.points[self.cells]
        third = np.zeros(len(self.points))
        gradient = []
        for k in range(3):
            np.add.at(third, self.cells[:, k], self.area / 3.0)
            across = np.cross(self.normal, corner[:, (k + 2) % 3] - corner[:, (k + 1) % 3])
            gradient.append(across / (2.0 * self.area)[:, None])
        rows, columns, values = [], [], []
        for a in range(3):
            for b in range(3):
                rows.append(self.cells[:, a])
                columns.append(self.cells[:, b])
                values.append(-(gradient[a] * gradient[b]).sum(axis=1) * self.area)
        stiff = sparse.csr_array(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
            shape=(len(self.points),) * 2,
        )
        # Surface tension is left out on the lid: its flow is small, and its cells differ in size.
        inside = np.ones(len(self.points))
        inside[self.cells[self.lid].ravel()] = 0.0
        return sparse.csr_array(sparse.diags_array(inside / third) @ stiff)


def wall_of(cavity: Cavity, spacing_mm: float, *, capped: bool) -> Surface:
    """Return the mould's wall in triangles of about this edge, smoothed, with its lid if capped."""
    points, cells = isotropic(cavity.points_m(), cavity.triangles, spacing_mm * 1e-3)
    points = smoothed(points, cells)
    cells = np.asarray(cells[:, ::-1], dtype=np.int64)
    if not capped:
        return Surface.of(points, cells)
    return with_lid(points, cells, spacing_mm * 1e-3)


def smoothed(points: Floats, cells: Ints) -> Floats:
    """Remove the ripple of the facets from the points (v, 3); the rim stays."""
    n = len(points)
    i, j = np.concatenate([cells[:, [0, 1]], cells[:, [1, 2]], cells[:, [2, 0]]]).T
    links = sparse.coo_array((np.ones(len(i)), (i, j)), shape=(n, n)).tocsr()
    one_way = sparse.csr_array(links - links.T)
    one_way.eliminate_zeros()
    held = np.diff(one_way.indptr) > 0
    both = sparse.csr_array(links + links.T)
    mean = sparse.diags_array(1.0 / both.sum(axis=1)) @ both
    moved = points.copy()
    for steps in SMOOTHING:
        for step in steps:
            moved[~held] += step * (mean @ moved - moved)[~held]
    return moved


def with_lid(points: Floats, cells: Ints, spacing_m: float) -> Surface:
    """Close the rim by a flat lid of triangles about `spacing_m` wide.

    The rim's corners are taken in their order round its middle.
    """
    bare = Surface.of(points, cells)
    rim = bare.edges[:, 1] < 0
    loop = np.unique(bare.ends[rim])
    centre = points[loop].mean(axis=0)
    _, _, axes = np.linalg.svd(points[loop] - centre)
    flat = (points[loop] - centre) @ axes[:2].T
    angle = np.arctan2(flat[:, 1], flat[:, 0])
    order = np.argsort(angle)
    loop, flat = loop[order], flat[order]
    reach = np.abs(flat).max()
    rows = np.arange(-reach, reach, spacing_m * np.sqrt(3.0) / 2.0)
    grid = np.concatenate(
        [
            np.column_stack(
                [np.arange(-reach, reach, spacing_m) + 0.5 * spacing_m * (k % 2), np.full(m, y)]
            )
            for k, y in enumerate(rows)
            for m in [len(np.arange(-reach, reach, spacing_m))]
        ]
    )
    grid = grid[_depth(grid, flat) > 0.7 * spacing_m]
    plane = np.concatenate([flat, grid])
    found = Delaunay(plane).simplices
    found = found[_depth(plane[found].mean(axis=1), flat) > 0.0]
    a, b, c = (plane[found[:, k]] for k in range(3))
    turn = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    found = np.where((turn > 0.0)[:, None], found, found[:, ::-1])
    # Into the cavity: towards the middle of the wall, which lies on the other side of the lid.
    up = np.cross(axes[0], axes[1])
    if up @ (points.mean(axis=0) - centre) < 0.0:
        found = found[:, ::-1]
    place = np.concatenate([loop, len(points) + np.arange(len(grid))])
    many = np.concatenate([points, centre + grid @ axes[:2]])
    return Surface.of(
        many,
        np.concatenate([cells, place[found]]),
        np.arange(len(cells) + len(found)) >= len(cells),
    )


def _depth(spots: Floats, loop: Floats) -> Floats:
    """Distance (n,) of spots (n, 2) inside a loop (k, 2) of corners; negative outside."""
    ahead = np.roll(loop, -1, axis=0)
    along = ahead - loop
    share = ((spots[:, None] - loop) * along).sum(axis=2) / (along**2).sum(axis=1)
    near = loop + np.clip(share, 0.0, 1.0)[..., None] * along
    distance = np.linalg.norm(spots[:, None] - near, axis=2).min(axis=1)
    crosses = (loop[:, 1] > spots[:, None, 1]) != (ahead[:, 1] > spots[:, None, 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        where = loop[:, 0] + (spots[:, None, 1] - loop[:, 1]) * along[:, 0] / along[:, 1]
    inside = (crosses & (spots[:, None, 0] < where)).sum(axis=1) % 2 == 1
    return np.asarray(np.where(inside, distance, -distance))
