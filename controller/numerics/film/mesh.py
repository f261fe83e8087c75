"""The film mesh: vertex-dual cells on a triangle mesh, with all arrays that the kernels read."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse

from evenwall.errors import InputError
from evenwall.numerics.film.upwind import upwind_of

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]

MIN_CELLS = 500
MAX_CELLS = 2_000_000


@dataclass(frozen=True)
class FilmMesh:
    """One film cell per vertex of a triangle mesh.

    Coordinates are metres in the mould frame: z along the minor axis, x along the major axis at
    angle zero, the two axes crossing at the origin. Build it with `FilmMesh.build`.

    points     (n, 3)  cell centres
    triangles  (m, 3)  vertex indices, wound so that their normals point into the cavity
    normals    (n, 3)  unit normals into the cavity, angle-weighted
    area       (n,)    cell area, mixed Voronoi (Meyer, Desbrun, Schroeder and Barr 2003, sec. 3.3)
    curvature  (n,)    k1 + k2, positive where the wall is concave seen from the film, 1/m
    edges      (e, 2)  first < second
    weight     (e,)    (cot a + cot b)/2, also when negative: clipping it destroys accuracy
    rim        (n,)    true on the opening's loop
    on_rim     (e,)    true for the edges of that loop
    rim_out    (n, 3)  outward conormal of the rim times the rim length the cell owns; zero inside
    upwind     (2e, 2) for edge k from its first vertex (row k) and from its second (row e+k):
                       the two other vertices of the triangle straight behind that vertex, ...
    upwind_weight (2e, 2) ... and the weights a >= 0 with
                       h(behind) = h_i + a_0 (h_0 - h_i) + a_1 (h_1 - h_i)
    """

    points: Floats
    triangles: Ints
    normals: Floats
    area: Floats
    curvature: Floats
    edges: Ints
    weight: Floats
    rim: Bools
    on_rim: Bools
    rim_out: Floats
    upwind: Ints
    upwind_weight: Floats
    edge_length_m: float = field(default=0.0)

    @property
    def cells(self) -> int:
        return len(self.points)

    @cached_property
    def total_area(self) -> float:
        return float(self.area.sum())

    @cached_property
    def degree(self) -> Floats:
        """Edges per cell, (n,)."""
        return np.bincount(self.edges.ravel(), minlength=self.cells).astype(np.float64)

    @cached_property
    def laplacian(self) -> sparse.csr_array:
        """(n, n): the cotangent Laplacian divided by the cell area, 1/m^2."""
        i, j = self.edges.T
        off = sparse.coo_array(
            (
                np.concatenate([self.weight, self.weight]),
                (np.concatenate([i, j]), np.concatenate([j, i])),
            ),
            shape=(self.cells, self.cells),
        ).tocsr()
        whole = off - sparse.diags_array(off.sum(axis=1))
        return sparse.csr_array(sparse.diags_array(1.0 / self.area) @ whole)

    @staticmethod
    def build(
        points: npt.ArrayLike,
        triangles: npt.ArrayLike,
        *,
        rim: npt.ArrayLike | None = None,
        min_cells: int = MIN_CELLS,
    ) -> FilmMesh:
        """Make the cells of a triangle mesh.

        points (n, 3) in metres; triangles (m, 3) wound with normals into the cavity; rim (n,) bool
        marks the opening's vertices and defaults to every boundary vertex. Raises InputError for a
        mesh that is not a manifold surface or has too few or too many cells.
        """
        x = _points_of(points, min_cells)
        tri = np.ascontiguousarray(triangles, dtype=np.int32)
        n = len(x)
        topology = _edges(tri, n)
        edges, boundary = topology.edges, topology.boundary
        corner_cot, corner_angle = _corners(x, tri)

        weight = np.zeros(len(edges))
        for k in range(3):  # corner k is opposite the edge between the other two
            np.add.at(weight, topology.of_triangle[:, k], 0.5 * corner_cot[:, k])

        face, double_area, normals = _normals(x, tri, corner_angle)
        area = _mixed_areas(x, tri, corner_cot, corner_angle, 0.5 * double_area, n)
        if not (area > 0.0).all():
            raise InputError("film mesh", int((area <= 0).sum()), "vertices belong to no triangle")

        on_boundary = np.zeros(n, dtype=bool)
        on_boundary[boundary[:, :2].ravel()] = True
        rim_mask = _rim_of(rim, on_boundary)
        upwind, upwind_weight = upwind_of(x, tri, edges, boundary, corner_angle)
        return FilmMesh(
            points=x,
            triangles=tri,
            normals=normals,
            area=area,
            curvature=_curvature(x, edges, weight, area, normals, on_boundary),
            edges=edges,
            weight=weight,
            rim=rim_mask,
            on_rim=(np.bincount(topology.of_triangle.ravel(), minlength=len(edges)) == 1)
            & rim_mask[edges].all(axis=1),
            rim_out=_rim_out(x, boundary, face, rim_mask),
            upwind=upwind,
            upwind_weight=upwind_weight,
            edge_length_m=float(np.linalg.norm(x[edges[:, 1]] - x[edges[:, 0]], axis=1).mean()),
        )


def _points_of(points: npt.ArrayLike, min_cells: int) -> Floats:
    """Return the points (n, 3) as floats. Raises InputError for too few or too many points, or for
    coordinates that are not numbers."""
    x = np.ascontiguousarray(points, dtype=np.float64)
    if not min_cells <= len(x) <= MAX_CELLS:
        limit = f"needs {min_cells} to {MAX_CELLS}"
        raise InputError("film mesh", len(x), limit, unit="cells", hint="remesh it")
    if not np.isfinite(x).all():
        raise InputError("film mesh", "not finite", "every coordinate must be a number")
    return x


def _normals(x: Floats, tri: Ints, corner_angle: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the triangles' unit normals (m, 3), twice their areas (m,), and the cells' unit
    normals (n, 3), weighted by angle. Raises InputError for a triangle without area."""
    face = np.cross(x[tri[:, 1]] - x[tri[:, 0]], x[tri[:, 2]] - x[tri[:, 0]])
    double_area = np.linalg.norm(face, axis=1)
    if not (double_area > 0.0).all():
        raise InputError("film mesh", int((double_area <= 0).sum()), "flat triangles found")
    face /= double_area[:, None]
    normals = np.zeros((len(x), 3))
    for k in range(3):
        np.add.at(normals, tri[:, k], corner_angle[:, k, None] * face)
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    return face, double_area, normals


def _rim_of(rim: npt.ArrayLike | None, on_boundary: Bools) -> Bools:
    """Return the opening's cells (n,); every boundary cell by default."""
    mask = on_boundary if rim is None else np.asarray(rim, dtype=bool)
    astray = mask & ~on_boundary
    if astray.any():
        raise InputError("opening", int(astray.sum()), "rim cells not on the mesh's edge")
    return mask


@dataclass(frozen=True)
class _Topology:
    edges: Ints
    of_triangle: Ints  # (m, 3): the edge opposite corner k
    boundary: Ints  # (b, 3): first, second in the triangle's own winding, and the triangle


def _edges(tri: Ints, n: int) -> _Topology:
    half = np.stack([tri[:, [1, 2]], tri[:, [2, 0]], tri[:, [0, 1]]], axis=1).reshape(-1, 2)
    low, high = half.min(axis=1).astype(np.int64), half.max(axis=1).astype(np.int64)
    key, first, inverse, count = np.unique(
        low * n + high, return_index=True, return_inverse=True, return_counts=True
    )
    if (count > 2).any():
        raise InputError("film mesh", int((count > 2).sum()), "edges shared by over two triangles")
    directed = half[:, 0].astype(np.int64) * n + half[:, 1]
    if len(np.unique(directed)) != len(directed):
        raise InputError("film mesh", "inconsistent", "neighbouring triangles must be wound alike")
    edges = np.stack([key // n, key % n], axis=1).astype(np.int32)
    single = first[count == 1]
    boundary = np.column_stack([half[single], single // 3]).astype(np.int32)
    return _Topology(edges, inverse.reshape(-1, 3).astype(np.int32), boundary)


def _corners(x: Floats, tri: Ints) -> tuple[Floats, Floats]:
    """Cotangent and angle at the three corners of every triangle, each (m, 3)."""
    cot = np.empty(tri.shape)
    angle = np.empty(tri.shape)
    for k in range(3):
        u = x[tri[:, (k + 1) % 3]] - x[tri[:, k]]
        v = x[tri[:, (k + 2) % 3]] - x[tri[:, k]]
        dot = np.einsum("ij,ij->i", u, v)
        cross = np.maximum(np.linalg.norm(np.cross(u, v), axis=1), 1e-300)
        cot[:, k] = dot / cross
        angle[:, k] = np.arctan2(cross, dot)
    return cot, angle


def _mixed_areas(x: Floats, tri: Ints, cot: Floats, angle: Floats, area: Floats, n: int) -> Floats:
    squared = np.stack(
        [((x[tri[:, (k + 1) % 3]] - x[tri[:, (k + 2) % 3]]) ** 2).sum(axis=1) for k in range(3)],
        axis=1,
    )
    obtuse = angle > 0.5 * np.pi
    any_obtuse = obtuse.any(axis=1)
    cells = np.zeros(n)
    for k in range(3):
        a, b = (k + 1) % 3, (k + 2) % 3
        voronoi = (squared[:, a] * cot[:, a] + squared[:, b] * cot[:, b]) / 8.0
        share = np.where(any_obtuse, area * np.where(obtuse[:, k], 0.5, 0.25), voronoi)
        np.add.at(cells, tri[:, k], share)
    return cells


def _curvature(
    x: Floats, edges: Ints, weight: Floats, area: Floats, normals: Floats, boundary: Bools
) -> Floats:
    """Return k1 + k2 from the cotangent mean-curvature normal (Meyer et al. 2003, sec. 3.5), 1/m.

    At a boundary cell the formula contains a spurious edge force, so that cell takes the mean of
    its inner neighbours.
    """
    i, j = edges.T
    pull = weight[:, None] * (x[j] - x[i])
    vector = np.zeros_like(x)
    np.add.at(vector, i, pull)
    np.add.at(vector, j, -pull)
    kappa = np.einsum("ij,ij->i", vector, normals) / area
    inner = ~boundary
    total = np.zeros(len(x))
    count = np.zeros(len(x))
    for a, b in ((i, j), (j, i)):
        np.add.at(total, a, np.where(inner[b], kappa[b], 0.0))
        np.add.at(count, a, inner[b])
    return np.where(inner, kappa, total / np.maximum(count, 1.0))


def _rim_out(x: Floats, boundary: Ints, face: Floats, rim: Bools) -> Floats:
    out = np.zeros_like(x)
    a, b, t = boundary.T
    use = rim[a] & rim[b]
    a, b, t = a[use], b[use], t[use]
    conormal = np.cross(x[b] - x[a], face[t])  # length of the edge, outward in the tangent plane
    np.add.at(out, a, 0.5 * conormal)
    np.add.at(out, b, 0.5 * conormal)
    return out


LEVELLING_BOUND = 0.76  # share of Gershgorin's 2 sum|w|/A; the true maximum is 0.75 of it on an
# equilateral mesh


def levelling_bounds(mesh: FilmMesh) -> tuple[Floats, Floats]:
    """Return bounds on a film's fastest levelling, each (n,): of the Laplacian, 1/m2, and of the
    squared Laplacian, 1/m4.

    Gershgorin's circles give them row by row: D_i = 2 sum_j |w_ij|/A_i bounds the first, and
    (1/A_i) sum_j |w_ij| (D_i + D_j) = D_i (D_i + mean of D_j)/2 bounds the second.
    """
    owner, other = mesh.edges.T.ravel(), mesh.edges[:, ::-1].T.ravel()
    pull = np.abs(np.tile(mesh.weight, 2))
    total = np.bincount(owner, pull, minlength=mesh.cells)
    once = 2.0 * LEVELLING_BOUND * total / mesh.area
    beside = np.bincount(owner, pull * once[other], minlength=mesh.cells) / total
    return once, once * 0.5 * (once + beside)
