"""From a checked mould to a film mesh of a wanted size, without slivers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pymeshlab
from scipy import sparse
from scipy.sparse.csgraph import reverse_cuthill_mckee

from controller.errors import InputError
from controller.film import FilmMesh
from controller.film.mesh import MAX_CELLS, MIN_CELLS
from controller.mould import Cavity

Floats = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

CREASE_DEG = 45.0  # an edge bent more than this stays an edge
ROUNDS, ITERATIONS = 2, 10
LOSS = 0.05  # of the area: the mean wall would be wrong by as much


def film_mesh(cavity: Cavity, mesh_mm: float) -> FilmMesh:
    """The cavity's wall as film cells about `mesh_mm` apart, in the mould frame, metres.

    Raises InputError when the size asked for gives too few or too many cells.
    """
    if not 0.2 <= mesh_mm <= 100.0:
        raise InputError("mesh size", mesh_mm, "must be 0.2 to 100", unit="mm")
    # An equilateral mesh of edge a has one vertex per sqrt(3)/2 a^2.
    cells = cavity.area_cm2 * 100.0 / (0.866 * mesh_mm**2)
    if cells > MAX_CELLS:
        raise InputError(
            "mesh size", mesh_mm, f"would need {cells:.0f} cells, at most {MAX_CELLS}", unit="mm"
        )
    if cells < MIN_CELLS:
        fits = np.sqrt(cavity.area_cm2 * 100.0 / (0.866 * MIN_CELLS))
        raise InputError(
            "mesh size",
            mesh_mm,
            f"gives {cells:.0f} cells, needs {MIN_CELLS}",
            unit="mm",
            hint=f"{0.9 * fits:.1f} mm does",
        )
    points, triangles = remesh(cavity.points_m(), cavity.triangles, mesh_mm * 1e-3)
    mesh = FilmMesh.build(points, triangles[:, ::-1])
    lost = 1.0 - mesh.total_area * 1e4 / cavity.area_cm2
    if abs(lost) > LOSS:
        raise InputError(
            "mesh size",
            mesh_mm,
            f"loses {lost:.0%} of the mould's area in detail finer than it",
            unit="mm",
            hint="take a finer one",
        )
    return mesh


def remesh(points: Floats, triangles: Index, edge: float) -> tuple[Floats, Index]:
    """Nearly equilateral triangles of the wanted edge on the same surface, winding kept.

    Isotropic remeshing by splits, collapses, flips and tangential smoothing, put back on the
    surface (Botsch and Kobbelt 2004), by MeshLab's library. Neighbours come out close in memory.
    """
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(points, triangles))
    for _ in range(ROUNDS):
        meshes.meshing_isotropic_explicit_remeshing(
            iterations=ITERATIONS,
            targetlen=pymeshlab.PureValue(edge),
            featuredeg=CREASE_DEG,
            checksurfdist=False,
        )
    made = meshes.current_mesh()
    x = np.asarray(made.vertex_matrix(), dtype=np.float64)
    t = np.asarray(made.face_matrix(), dtype=np.int64)
    n = len(x)
    links = sparse.coo_array(
        (np.ones(3 * len(t)), (t.ravel(), np.roll(t, 1, axis=1).ravel())), shape=(n, n)
    ).tocsr()
    order = reverse_cuthill_mckee(sparse.csr_array(links + links.T), symmetric_mode=True)
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n)
    return x[order], place[t]
