"""Film mesh of a wanted size, without slivers, from a checked mould."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse.csgraph import reverse_cuthill_mckee

from evenwall.errors import InputError
from evenwall.geometry.mould import Cavity
from evenwall.geometry.remeshing import isotropic
from evenwall.numerics.film import FilmMesh
from evenwall.numerics.film.mesh import MAX_CELLS, MIN_CELLS, levelling_bounds
from evenwall.units import percent

Floats = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

THINNEST = 1000.0  # largest factor by which levelling may shorten steps; 2 to 4 is usual
LOSS = 0.05  # largest loss, as a share of the area; the mean wall would be wrong by the same share


def film_mesh(cavity: Cavity, mesh_mm: float) -> FilmMesh:
    """Return the cavity's wall as film cells about `mesh_mm` apart, in the mould frame, metres.

    Raises InputError when the size asked for gives too few or too many cells.
    """
    if not 0.2 <= mesh_mm <= 100.0:
        raise InputError("mesh size", f"{mesh_mm:g}", "must be 0.2 to 100 mm", unit="mm")
    cells = cells_for(cavity.area_cm2, mesh_mm)
    if cells > MAX_CELLS:
        raise InputError(
            "mesh size",
            f"{mesh_mm:g}",
            f"would need {cells:.0f} cells, at most {MAX_CELLS}",
            unit="mm",
        )
    if cells < MIN_CELLS:
        raise InputError(
            "mesh size",
            f"{mesh_mm:g}",
            f"gives {cells:.0f} cells, needs {MIN_CELLS}",
            unit="mm",
            hint=f"{widest_mm(cavity):.1f} mm does",
        )
    points, triangles = remesh(cavity.points_m(), cavity.triangles, mesh_mm * 1e-3)
    mesh = FilmMesh.build(points, triangles[:, ::-1])
    lost = 1.0 - mesh.total_area * 1e4 / cavity.area_cm2
    if abs(lost) > LOSS:
        raise InputError(
            "mesh size",
            f"{mesh_mm:g}",
            f"loses {percent(lost)} of the mould's area, in detail finer than the mesh",
            unit="mm",
            hint="use a finer mesh",
        )
    _, levelling = levelling_bounds(mesh)
    if levelling.max() > THINNEST * np.median(levelling):
        raise InputError(
            "mesh size",
            f"{mesh_mm:g}",
            "leaves a triangle so thin that the film would take days to compute",
            unit="mm",
            hint=f"{1.1 * mesh_mm:.2g} mm may do",
        )
    return mesh


def widest_mm(cavity: Cavity) -> float:
    """Return the widest spacing that gives enough cells, with a margin for those that the remesher
    drops."""
    return mesh_mm_for(cavity.area_cm2, 1.15 * MIN_CELLS)


def cells_for(area_cm2: float, mesh_mm: float) -> float:
    """Number of cells on a wall of this area: an equilateral mesh of edge a has one per
    sqrt(3)/2 a^2."""
    return area_cm2 * 100.0 / (0.866 * mesh_mm**2)


def mesh_mm_for(area_cm2: float, cells: float) -> float:
    """Edge length that gives about this many cells: see `cells_for`."""
    return float(np.sqrt(cells_for(area_cm2, 1.0) / cells))


def remesh(points: Floats, triangles: Index, edge: float) -> tuple[Floats, Index]:
    """Return nearly equilateral triangles of the wanted edge on the same surface, winding kept.

    Neighbouring points are close in memory.
    """
    x, t = isotropic(points, triangles, edge)
    n = len(x)
    links = sparse.coo_array(
        (np.ones(3 * len(t)), (t.ravel(), np.roll(t, 1, axis=1).ravel())), shape=(n, n)
    ).tocsr()
    order = reverse_cuthill_mckee(sparse.csr_array(links + links.T), symmetric_mode=True)
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n)
    return x[order], place[t]
