"""From a checked mould to a film mesh of a wanted size, without slivers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pymeshlab
from scipy import sparse
from scipy.sparse.csgraph import reverse_cuthill_mckee

from evenwall.errors import InputError
from evenwall.geometry.mould import Cavity, boundary_loops, surface_integrals
from evenwall.numerics.film import FilmMesh
from evenwall.numerics.film.mesh import MAX_CELLS, MIN_CELLS, levelling_bounds

Floats = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

CREASE_DEG = 45.0  # an edge bent more than this stays an edge
ROUNDS, FINISH, ITERATIONS = 2, 2, 5
OFF = 0.1  # of the spacing
RIM_CORNER_DEG = 30.0
UNFOLD_SWEEPS = 10
FLIP_SWEEPS, LEAST_DEG, FACES_ALIKE = 4, 20.0, 0.7
SHORT, LONG = 0.65, 1.5  # of the spacing: an edge to be merged, and what that may lengthen none to
THINNEST = 1000.0  # levelling wants steps so many times shorter; usual are 3 to 15
LOSS = 0.05  # of the area: the mean wall would be wrong by as much


def film_mesh(cavity: Cavity, mesh_mm: float) -> FilmMesh:
    """The cavity's wall as film cells about `mesh_mm` apart, in the mould frame, metres.

    Raises InputError when the size asked for gives too few or too many cells.
    """
    if not 0.2 <= mesh_mm <= 100.0:
        raise InputError("mesh size", f"{mesh_mm:g}", "must be 0.2 to 100", unit="mm")
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
            f"loses {lost:.0%} of the mould's area in detail finer than it",
            unit="mm",
            hint="take a finer one",
        )
    _, levelling = levelling_bounds(mesh)
    if levelling.max() > THINNEST * np.median(levelling):
        raise InputError(
            "mesh size",
            f"{mesh_mm:g}",
            "leaves a triangle so thin that the film would take days",
            unit="mm",
            hint=f"{1.1 * mesh_mm:.2g} mm may do",
        )
    return mesh


def widest_mm(cavity: Cavity) -> float:
    """The widest spacing that gives enough cells, whatever the remesher leaves of them."""
    return mesh_mm_for(cavity.area_cm2, 1.15 * MIN_CELLS)


def cells_for(area_cm2: float, mesh_mm: float) -> float:
    """Cells of so much wall: an equilateral mesh of edge a has one per sqrt(3)/2 a^2."""
    return area_cm2 * 100.0 / (0.866 * mesh_mm**2)


def mesh_mm_for(area_cm2: float, cells: float) -> float:
    """The edge that gives about so many: see `cells_for`."""
    return float(np.sqrt(cells_for(area_cm2, 1.0) / cells))


def remesh(points: Floats, triangles: Index, edge: float) -> tuple[Floats, Index]:
    """Nearly equilateral triangles of the wanted edge on the same surface, winding kept.

    Isotropic remeshing by splits, collapses, flips and tangential smoothing, put back on the
    surface (Botsch and Kobbelt 2004), by MeshLab's library. It leaves the rim ragged, and one
    small cell there would set the film's time step (surface tension's goes with the fourth power
    of the spacing), so the rim is spaced evenly and its triangles are evened out between rounds.
    It also leaves edges that were a little too long from the start; where the spacing comes out
    wrong by that, it begins again from half of it. Neighbours come out close in memory.
    """
    x, t = _remesh(points, triangles, edge)
    if abs(_spacing(x, t) / edge - 1.0) > OFF:
        x, t = _remesh(*_remesh(points, triangles, 0.5 * edge), edge)
    n = len(x)
    links = sparse.coo_array(
        (np.ones(3 * len(t)), (t.ravel(), np.roll(t, 1, axis=1).ravel())), shape=(n, n)
    ).tocsr()
    order = reverse_cuthill_mckee(sparse.csr_array(links + links.T), symmetric_mode=True)
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n)
    return x[order], place[t]


def _spacing(points: Floats, triangles: Index) -> float:
    """The edge of equilateral triangles, as many on as much wall."""
    area_m2 = surface_integrals(points, triangles).area_m2
    return float(np.sqrt(area_m2 / (0.433 * len(triangles))))


def _remesh(points: Floats, triangles: Index, edge: float) -> tuple[Floats, Index]:
    x, t = points, triangles
    for turn in range(ROUNDS + FINISH):
        meshes = pymeshlab.MeshSet()
        meshes.add_mesh(pymeshlab.Mesh(x, t))
        changing = turn < ROUNDS  # afterwards it only smooths
        meshes.meshing_isotropic_explicit_remeshing(
            iterations=ITERATIONS,
            targetlen=pymeshlab.PureValue(edge),
            featuredeg=CREASE_DEG,
            checksurfdist=False,
            splitflag=changing,
            collapseflag=changing,
            swapflag=changing,
        )
        made = meshes.current_mesh()
        t = np.asarray(made.face_matrix(), dtype=np.int64)
        x = unfold(even_rim(np.array(made.vertex_matrix(), dtype=np.float64), t), t)
        if ROUNDS - 1 <= turn < ROUNDS + FINISH - 1:
            t = even_triangles(x, t)
            x, t = without_short(x, t, edge)
    return x, t


def even_rim(points: Floats, triangles: Index) -> Floats:
    """The points, with those of each boundary loop moved along it to even spacing.

    Where the loop turns by over RIM_CORNER_DEG it keeps its corner.
    """
    points = points.copy()
    for loop in boundary_loops(triangles):
        ring = points[loop]
        ahead = np.roll(ring, -1, axis=0) - ring
        step = np.linalg.norm(ahead, axis=1)
        unit = ahead / step[:, None]
        straight = np.einsum("ij,ij->i", unit, np.roll(unit, 1, axis=0))
        corners = np.flatnonzero(straight < np.cos(np.radians(RIM_CORNER_DEG)))
        along = np.concatenate([[0.0], np.cumsum(step)])
        k, total = len(loop), along[-1]
        if len(corners):
            # Round the loop once, from the first corner to itself again.
            stops = np.append(corners, corners[0] + k)
            where = np.append(along[corners], along[corners[0]] + total)
            at = np.arange(corners[0], corners[0] + k)
            wanted = np.empty(k)
            wanted[at % k] = np.interp(at, stops, where)
        else:
            wanted = np.arange(k) * (total / k)
            shift = along[:-1] - wanted
            wanted += 0.5 * (shift.max() + shift.min())  # the least moving
        closed = np.vstack([ring, ring[:1]])
        points[loop] = np.column_stack(
            [np.interp(wanted % total, along, closed[:, c]) for c in range(3)]
        )
    return points


def unfold(points: Floats, triangles: Index) -> Floats:
    """The points, with corners of triangles that face against their neighbours put amid theirs.

    Where the rim's points slide past those behind them a triangle can fold over; the remesher
    takes the fold for a crease and keeps it.
    """
    points, n = points.copy(), len(points)
    inside = ~on_rim(triangles, n)
    corners = sparse.csr_array(
        (np.ones(triangles.size), triangles.ravel(), np.arange(0, triangles.size + 1, 3)),
        shape=(len(triangles), n),
    )
    beside = sparse.csr_array(corners.T @ corners)
    beside.setdiag(0.0)
    for _ in range(UNFOLD_SWEEPS):
        a, b, c = (points[triangles[:, k]] for k in range(3))
        face = np.cross(b - a, c - a)
        about = corners @ (corners.T @ face) - 3.0 * face
        folded = np.einsum("ij,ij->i", face, about) < 0.0
        move = inside & (corners.T @ folded > 0.0)
        if not move.any():
            break
        row = beside[move]
        points[move] = row @ points / row.sum(axis=1)[:, None]
    return points


def even_triangles(points: Floats, triangles: Index) -> Index:
    """The triangles, with edges beside the rim flipped towards three triangles at every rim
    corner and six elsewhere."""
    t = triangles.copy()
    rim = on_rim(t, len(points))
    weight = np.where(rim, 3.0, 1.0)
    for _ in range(FLIP_SWEEPS):
        beyond = {}  # directed edge -> its triangle and the corner opposite
        for k, (a, b, c) in enumerate(t.tolist()):
            beyond[a, b], beyond[b, c], beyond[c, a] = (k, c), (k, a), (k, b)
        spare = np.bincount(t.ravel(), minlength=len(points)) - np.where(rim, 3, 6)
        flipped: set[int] = set()
        for (a, b), (k, c) in beyond.items():
            if not (rim[a] or rim[b]) or (b, a) not in beyond:
                continue
            m, d = beyond[b, a]
            if k in flipped or m in flipped or (c, d) in beyond or (d, c) in beyond:
                continue
            four = np.array([a, b, c, d])
            before, after = spare[four], spare[four] + [-1, -1, 1, 1]
            if weight[four] @ (after**2 - before**2) >= 0.0:
                continue
            new = np.array([[c, d, b], [d, c, a]])
            if not _sound(points[new], points[[a, b, c]]):
                continue
            t[[k, m]] = new
            spare[four] = after
            flipped |= {k, m}
        if not flipped:
            break
    return t


def without_short(points: Floats, triangles: Index, edge: float) -> tuple[Floats, Index]:
    """The mesh with its short edges merged into one of their ends, a rim's into the rim's.

    The remesher collapses none that ends on the rim, and two triangles that share a short one there
    make the smallest cell of all.
    """
    rim = on_rim(triangles, len(points))
    pairs = np.unique(np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)), axis=0)
    length = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    short = np.flatnonzero((length < SHORT * edge) & ~rim[pairs].all(axis=1))
    into = np.arange(len(points))
    touched: set[int] = set()
    dead = np.zeros(len(triangles), dtype=bool)
    of = corners_of(triangles, len(points))
    for k in short[np.argsort(length[short], kind="stable")]:
        kept, gone = pairs[k] if rim[pairs[k, 0]] else pairs[k, ::-1]
        mine, its = of[kept], of[gone]
        about = np.unique(triangles[[*mine, *its]])
        shared = np.intersect1d(triangles[mine], triangles[its])
        if len(shared) != 4 or not touched.isdisjoint(about.tolist()):
            continue
        left = [t for t in its if kept not in triangles[t]]
        corners = np.where(triangles[left] == gone, kept, triangles[left])
        reach = np.linalg.norm(points[corners] - points[kept], axis=2).max(initial=0.0)
        sound = all(
            _sound(points[new][None], points[old])
            for new, old in zip(corners, triangles[left], strict=True)
        )
        if reach > LONG * edge or not sound:
            continue
        touched |= set(about.tolist())
        into[gone] = kept
        dead[[t for t in its if kept in triangles[t]]] = True
    used = into == np.arange(len(points))
    place = np.cumsum(used) - 1
    return points[used], place[into[triangles[~dead]]]


def on_rim(triangles: Index, count: int) -> npt.NDArray[np.bool_]:
    """Of each point, whether it lies on the rim."""
    rim = np.zeros(count, dtype=bool)
    for loop in boundary_loops(triangles):
        rim[loop] = True
    return rim


def corners_of(triangles: Index, count: int) -> list[Index]:
    """Of each point, the triangles that have it for a corner."""
    order = np.argsort(triangles.ravel(), kind="stable") // 3
    ends = np.cumsum(np.bincount(triangles.ravel(), minlength=count))
    return np.split(order, ends[:-1])


def _sound(made: Floats, old: Floats) -> bool:
    """Whether new triangles (2, 3, 3) face as the old one (3, 3) does and have no thin corner."""
    normal = np.cross(old[1] - old[0], old[2] - old[0])
    normal /= np.linalg.norm(normal)
    for corners in made:
        side = np.roll(corners, -1, axis=0) - corners
        length = np.sort(np.linalg.norm(side, axis=1))
        face = np.cross(side[0], side[1])
        double_area = float(np.linalg.norm(face))
        # The least angle lies between the two longer sides.
        thin = double_area < np.sin(np.radians(LEAST_DEG)) * length[1] * length[2]
        if thin or face @ normal < FACES_ALIKE * double_area:
            return False
    return True
