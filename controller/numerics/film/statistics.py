"""Figures of a wall: its mean, its thinnest patch, its rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.spatial import cKDTree

from evenwall.numerics.film.mesh import FilmMesh

Floats = npt.NDArray[np.float64]

PATCH_M = 12e-3
# Ridges and creases that turn within this width, five capillary lengths of a resin (sigma/(rho g) =
# (1.8 mm)^2), carry a film that a mesh of 5 mm does not resolve: a lighthouse's thinnest patch fell
# from 0.81 of the mean on 5 mm to 0.70 on 3 mm, and was still falling.
NARROW_M = 9e-3
CLOSEST = 1.1  # ratio of two meshes' spacings


@dataclass(frozen=True)
class WallStatistics:
    """Figures of a film or a sum of films, in metres; percentiles and the mean are by area.

    min is the thinnest patch, min_point the thinnest cell. rim is the mean over the band within a
    patch's width of the opening, rim_min its thinnest patch centred on the rim. Both are nan
    without a rim. min_cell is the cell under the thinnest patch.
    """

    mean: float
    min: float
    min_point: float
    p05: float
    p95: float
    rim: float
    rim_min: float
    cv: float
    min_cell: int


@dataclass(frozen=True)
class WallWeights:
    """Linear maps from a film (n,) to its patch means and its rim mean; built once per mesh.

    patches (n, n): row i averages the piecewise linear film over the wall within half of
    `patch_m` of cell i. rim (n,): weights of the rim band. Both are linear, so the patch means of
    coats laid on one another add.
    """

    area: Floats
    rim_cells: npt.NDArray[np.intp]
    patches: sparse.csr_array
    rim: Floats | None

    @staticmethod
    def of(mesh: FilmMesh, patch_m: float = PATCH_M) -> WallWeights:
        """Build the weights. The film is linear on each triangle and sampled at points about a
        tenth of the patch apart; points whose wall faces away from the patch's centre do not
        count."""
        pieces = max(1, round(mesh.edge_length_m / (0.1 * patch_m)))
        corner = _sub_centroids(pieces)
        tri = mesh.triangles
        face = np.cross(
            mesh.points[tri[:, 1]] - mesh.points[tri[:, 0]],
            mesh.points[tri[:, 2]] - mesh.points[tri[:, 0]],
        )
        size = np.linalg.norm(face, axis=1)
        spots = np.einsum("sk,mkd->msd", corner, mesh.points[tri]).reshape(-1, 3)
        spot_area = np.repeat(0.5 * size / len(corner), len(corner))
        spot_normal = np.repeat(face / size[:, None], len(corner), axis=0)
        to_spot = sparse.csr_array(
            (
                np.tile(corner, (len(tri), 1)).ravel(),
                np.repeat(tri, len(corner), axis=0).ravel(),
                np.arange(0, 3 * len(spots) + 1, 3),
            ),
            shape=(len(spots), mesh.cells),
        )
        tree = cKDTree(spots)
        near = cKDTree(mesh.points).sparse_distance_matrix(
            tree, 0.5 * patch_m, output_type="coo_matrix"
        )
        alike = np.einsum("ij,ij->i", mesh.normals[near.row], spot_normal[near.col]) > 0.0
        within = sparse.coo_array(
            (spot_area[near.col[alike]], (near.row[alike], near.col[alike])), shape=near.shape
        ).tocsr()
        patches = sparse.csr_array(
            sparse.diags_array(1.0 / within.sum(axis=1)) @ (within @ to_spot)
        )
        rim_cells = np.flatnonzero(mesh.rim)
        rim = None
        if len(rim_cells):
            along = _along_rim(mesh, 0.1 * patch_m)
            band = np.isfinite(cKDTree(along).query(spots, distance_upper_bound=patch_m)[0])
            weight = np.where(band, spot_area, 0.0)
            rim = np.asarray(to_spot.T @ (weight / weight.sum()))
        return WallWeights(mesh.area, rim_cells, patches, rim)

    def patch_means(self, h: Floats) -> Floats:
        """Return the patch means of a film (n,) or (n, k), in the same shape."""
        return np.asarray(self.patches @ h)

    def statistics(self, h: Floats) -> WallStatistics:
        """Return all figures of one film (n,)."""
        weight = self.area / self.area.sum()
        mean = float(weight @ h)
        patch = self.patch_means(h)
        order = np.argsort(h)
        rank = np.cumsum(weight[order]) - 0.5 * weight[order]
        p05, p95 = np.interp([0.05, 0.95], rank, h[order])
        worst = int(np.argmin(patch))
        return WallStatistics(
            mean=mean,
            min=float(patch[worst]),
            min_point=float(h.min()),
            p05=float(p05),
            p95=float(p95),
            rim=float("nan") if self.rim is None else float(self.rim @ h),
            rim_min=float("nan") if self.rim is None else float(patch[self.rim_cells].min()),
            cv=float(np.sqrt(weight @ (h - mean) ** 2)) / mean,
            min_cell=worst,
        )


def mesh_error(mesh: FilmMesh, at_cell: int, difference: float, coarse_cells: int) -> float:
    """Error of the thinnest patch due to the mesh, in the unit of `difference`, which is the
    patch's difference from that on a coarser mesh of `coarse_cells`.

    Richardson's rule, |d|/(r^p - 1), where r is the ratio of the actual spacings and p the measured
    order. The order is 2 inside. It is 1 within a patch of the rim, where the film ends in a layer
    that the mesh is too coarse for, and within a patch of a ridge or crease narrower than NARROW_M.
    A ratio r below `CLOSEST` counts as `CLOSEST`.
    """
    near = np.linalg.norm(mesh.points - mesh.points[at_cell], axis=1) < PATCH_M
    narrow = np.abs(mesh.curvature[near]).max() > 1.0 / NARROW_M
    order = 1 if narrow or mesh.rim[near].any() else 2
    wider = max(float(np.sqrt(mesh.cells / coarse_cells)), CLOSEST)
    return float(abs(difference) / (wider**order - 1.0))


def narrow_share(mesh: FilmMesh) -> float:
    """Share of the wall that turns within NARROW_M, which the mesh may not resolve."""
    narrow = np.abs(mesh.curvature) > 1.0 / NARROW_M
    return float(mesh.area[narrow].sum() / mesh.total_area)


def _sub_centroids(k: int) -> Floats:
    """Barycentric coordinates, (k*k, 3), of the centroids of a triangle's k*k equal parts."""
    spots = []
    for a in range(k):
        for b in range(k - a):
            spots.append(((a + 1 / 3) / k, (b + 1 / 3) / k))
            if a + b < k - 1:
                spots.append(((a + 2 / 3) / k, (b + 2 / 3) / k))
    uv = np.array(spots)
    return np.column_stack([1.0 - uv.sum(axis=1), uv])


def _along_rim(mesh: FilmMesh, spacing_m: float) -> Floats:
    i, j = mesh.edges[mesh.on_rim].T
    a, b = mesh.points[i], mesh.points[j]
    count = max(1, int(np.ceil(np.linalg.norm(b - a, axis=1).max() / spacing_m)))
    s = np.linspace(0.0, 1.0, count + 1)[:, None, None]
    return np.asarray((a + s * (b - a)).reshape(-1, 3))
