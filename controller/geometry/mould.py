"""The mould: a mesh comes in, a checked cavity comes out.

The mesh is the casting's outer surface, which is the mould's inside. It must be one body with one
opening, its normals outwards. What can be mended without changing the wall is mended and said in
`Cavity.notes`; anything else is one MouldError line.
"""

from __future__ import annotations

import hashlib
import struct
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from evenwall.errors import InputError
from evenwall.geometry import mesh_files
from evenwall.model import Casting, Mount, Opening, OpeningFound
from evenwall.units import MM_PER_INCH

Array = NDArray[np.float64]
Index = NDArray[np.int64]

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": MM_PER_INCH}
# What an STL of this job can be: a pendant to a barrel. Outside it the units are wrong.
SMALLEST_MM, LARGEST_MM = 20.0, 2000.0
MOST_FACES = 2_000_000
SMALL_HOLE = 0.002  # a stray hole below this share of the mesh's area is closed, and said so
SAMPLES_FOR_NECK = 4000
ROUND_DEG = (0.5, 30.0)  # between triangles of a wall that is meant to be round
COARSE_FACETS_MM = 6.0  # a film's cells are 5 mm wide
OPPOSITE_DEG = 150.0


# What the readers of the four formats raise on rubbish.
UNREADABLE = (
    *(ValueError, KeyError, IndexError, TypeError, AttributeError, SyntaxError),
    *(NameError, zipfile.BadZipFile, struct.error),
)


class MouldError(InputError):
    """The mesh cannot be a mould: says what is wrong, with the figure."""


@dataclass(frozen=True, eq=False)
class Surface:
    """Integrals over a surface of unit density (SI): what a thin even skin would weigh and swing.

    area_m2; centroid_m shape (3,); second_m4 shape (3, 3), the integral of x x^T about the origin.
    """

    area_m2: float
    centroid_m: Array
    second_m4: Array


@dataclass(frozen=True, eq=False)
class Cavity:
    """A checked mould.

    vertices_mm (n, 3) in the mesh's own frame, mm; triangles (m, 3), outward; rim (k,) vertex
    numbers of the opening's loop in order. `rotation` (3, 3) and `crossing_mm` (3,) take the mesh
    to the mould frame of the two axes: x_m = rotation (x - crossing).
    """

    vertices_mm: Array
    triangles: Index
    rim: Index
    opening: OpeningFound
    solid_volume_cm3: float
    rotation: Array
    crossing_mm: Array
    mesh_sha256: str
    notes: tuple[str, ...]

    @property
    def area_cm2(self) -> float:
        return self.surface().area_m2 * 1e4

    def points_m(self) -> Array:
        """The vertices in the mould frame, m: shape (n, 3)."""
        return (self.vertices_mm - self.crossing_mm) @ self.rotation.T * 1e-3

    def opening_centre_m(self) -> Array:
        centre = np.asarray(self.opening.centre_mm)
        return np.asarray(self.rotation @ (centre - self.crossing_mm) * 1e-3)

    def opening_direction(self) -> Array:
        """Unit vector out of the cavity, in the mould frame: shape (3,)."""
        return np.asarray(self.rotation @ np.asarray(self.opening.direction))

    def reach_mm(self) -> float:
        """Farthest point of the cavity from the crossing of the axes."""
        return float(np.linalg.norm(self.vertices_mm - self.crossing_mm, axis=1).max())

    def surface(self, offset_mm: float = 0.0) -> Surface:
        """Integrals in the mould frame, of the surface moved outwards by `offset_mm`."""
        points = self.points_m()
        if offset_mm:
            mesh = trimesh.Trimesh(points, self.triangles, process=False)
            points = points + np.asarray(mesh.vertex_normals) * (offset_mm * 1e-3)
        return surface_integrals(points, self.triangles)

    def neck_radius_mm(self) -> tuple[float, Array]:
        """Radius of the narrowest passage between opposite walls, and where (mesh frame, mm)."""
        return narrowest(self.vertices_mm, self.triangles)


def surface_integrals(points_m: Array, triangles: Index) -> Surface:
    """Exact integrals of 1, x and x x^T over a triangle mesh.

    For a triangle of area A with corners a, b, c and s = a + b + c the integral of x x^T is
    A/12 (a a^T + b b^T + c c^T + s s^T): the quadratic's exact mean, any finite element text.
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
    """Signed volume behind a skin over the rim (a fan about its middle), in the points' unit cubed.

    Divergence theorem: one sixth of the sum of the corners' triple products.
    """
    corners = points[triangles]
    volume = np.einsum("ti,ti->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    loop = points[rim]
    middle = loop.mean(axis=0)
    # The rim runs with its triangles, so the lid's triangles run against it.
    volume += np.einsum("ki,ki->", np.roll(loop, -1, axis=0), np.cross(loop, middle))
    return float(volume / 6.0)


def load_cavity(casting: Casting) -> Cavity:
    """Read the casting's mesh and check it. Raises MouldError."""
    mesh, sha, notes = _read(casting)
    _check_size(mesh, casting)
    mesh, rim = _one_opening(mesh, casting.opening, notes)
    volume = enclosed_volume(np.asarray(mesh.vertices), np.asarray(mesh.faces), rim)
    if volume < 0:
        mesh.invert()
        rim = rim[::-1].copy()
        volume = -volume
        notes.append("The mesh was inside out; its triangles were turned round.")
    _check_crossings(mesh)
    points = np.asarray(mesh.vertices, dtype=np.float64)
    triangles = np.asarray(mesh.faces, dtype=np.int64)
    facets = facet_mm(points, triangles)
    if facets > COARSE_FACETS_MM:
        notes.append(
            f"Where the mesh bends its triangles are about {facets:.0f} mm wide, and the film runs "
            "to their edges. If the mould is round there, export it with triangles of 4 mm."
        )
    return Cavity(
        vertices_mm=points,
        triangles=triangles,
        rim=rim,
        opening=_opening(points, triangles, rim),
        solid_volume_cm3=volume * 1e-3,
        rotation=mount_rotation(casting.mount),
        crossing_mm=_crossing(casting.mount, points, triangles),
        mesh_sha256=sha,
        notes=tuple(notes),
    )


def mount_rotation(mount: Mount) -> Array:
    """The smallest turn that takes the mount's minor axis to z, shape (3, 3) (Rodrigues)."""
    axis = np.asarray(mount.minor_axis, dtype=np.float64)
    length = np.linalg.norm(axis)
    if length < 1e-9:
        raise MouldError("mount.minor_axis", mount.minor_axis, "must have a direction")
    axis = axis / length
    cosine = float(axis[2])
    if cosine < -1 + 1e-12:
        return np.diag([1.0, -1.0, -1.0])  # upside down: half a turn about x
    v = np.cross(axis, [0.0, 0.0, 1.0])
    skew = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    return np.asarray(np.eye(3) + skew + skew @ skew / (1 + cosine))


def _crossing(mount: Mount, points_mm: Array, triangles: Index) -> Array:
    if mount.centre_mm is not None:
        return np.asarray(mount.centre_mm, dtype=np.float64)
    return surface_integrals(points_mm, triangles).centroid_m  # linear in its unit: mm here


# --- Reading and mending -------------------------------------------------------------------------


def _read(casting: Casting) -> tuple[trimesh.Trimesh, str, list[str]]:
    path, notes = Path(casting.mesh), list[str]()
    suffix = path.suffix.lower().lstrip(".")
    if suffix not in {"stl", "obj", "ply", "3mf"}:
        raise MouldError("mesh", path.name, "must be an STL, OBJ, PLY or 3MF file")
    try:
        mesh, raw = mesh_files.load(path, "mesh")
    except InputError as error:
        raise MouldError("mesh", error.value, error.limit) from None
    except (*UNREADABLE, OSError, NotImplementedError) as error:
        raise MouldError(
            "mesh", path.name, f"cannot be read as {suffix.upper()}: {error}"
        ) from None
    if len(mesh.faces) == 0:
        raise MouldError("mesh", path.name, "holds no triangles")
    if len(mesh.faces) > MOST_FACES:
        raise MouldError("mesh", len(mesh.faces), f"must have at most {MOST_FACES} triangles")
    if not np.isfinite(mesh.vertices).all():
        raise MouldError("mesh", path.name, "has corners that are not finite numbers")
    mesh = trimesh.Trimesh(
        np.asarray(mesh.vertices) * MM_PER_UNIT[casting.mesh_units], mesh.faces, process=False
    )
    _weld(mesh)
    count = len(mesh.faces)
    mesh.update_faces(mesh.nondegenerate_faces() & mesh.unique_faces())
    mesh.remove_unreferenced_vertices()
    if len(mesh.faces) < count:
        notes.append(
            f"{count - len(mesh.faces)} triangles without area or twice there were left out."
        )
    if len(mesh.faces) < 4:
        raise MouldError("mesh", len(mesh.faces), "must have at least 4 triangles with area")
    return mesh, hashlib.sha256(raw).hexdigest(), notes


def _weld(mesh: trimesh.Trimesh) -> None:
    """Join corners closer than 1e-6 of the size: STL writes every corner of every triangle."""
    size = float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    if size > 0:
        mesh.merge_vertices(
            merge_tex=True, merge_norm=True, digits_vertex=int(np.ceil(6 - np.log10(size)))
        )


def _check_size(mesh: trimesh.Trimesh, casting: Casting) -> None:
    size_mm = float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    if SMALLEST_MM <= size_mm <= LARGEST_MM:
        return
    as_written = size_mm / MM_PER_UNIT[casting.mesh_units]
    fits = [
        unit
        for unit, factor in MM_PER_UNIT.items()
        if unit != casting.mesh_units and SMALLEST_MM <= as_written * factor <= LARGEST_MM
    ]
    raise MouldError(
        "mesh",
        f"{size_mm:.3g}",
        f"must be {SMALLEST_MM:g} to {LARGEST_MM:g} mm from corner to corner",
        unit="mm across",
        hint="is it drawn in another unit? set mesh_units = "
        + " or ".join(f'"{unit}"' for unit in fits)
        if fits
        else "",
    )


def _one_opening(
    mesh: trimesh.Trimesh, wanted: Opening, notes: list[str]
) -> tuple[trimesh.Trimesh, Index]:
    """One body, one boundary loop. Returns the mesh and the loop, running with its triangles."""
    if wanted.direction is not None and np.linalg.norm(wanted.direction) < 1e-9:
        raise MouldError("opening.direction", wanted.direction, "must have a direction")
    _check_edges(mesh)
    if not mesh.is_winding_consistent:
        mesh.fix_normals()
        if not mesh.is_winding_consistent:
            raise MouldError("mesh", "one-sided", "its triangles cannot all face outwards")
        notes.append("Some triangles faced the wrong way; they were turned round.")
    bodies = trimesh.graph.connected_components(
        mesh.face_adjacency, nodes=np.arange(len(mesh.faces))
    )
    if len(bodies) > 1:
        shares = sorted((mesh.area_faces[body].sum() for body in bodies), reverse=True)
        raise MouldError(
            "mesh",
            len(bodies),
            "must be one body",
            unit="bodies",
            hint=f"the second has {shares[1] / 100:.3g} cm2 of skin: delete it or join it",
        )
    loops = boundary_loops(np.asarray(mesh.faces))
    if not loops:
        return _cut_open(mesh, wanted, notes)
    points = np.asarray(mesh.vertices)
    sizes = np.array([loop_area(points[loop]) for loop in loops])
    chosen = int(sizes.argmax())
    if wanted.centre_mm is not None:
        centre = np.asarray(wanted.centre_mm)
        far = np.array([np.linalg.norm(points[loop].mean(axis=0) - centre) for loop in loops])
        chosen = int(far.argmin())
        radius = np.sqrt(sizes[chosen] / np.pi)
        if far[chosen] > max(radius, 10.0):
            found = tuple(round(float(x), 1) for x in points[loops[chosen]].mean(axis=0))
            raise MouldError(
                "opening.centre_mm",
                wanted.centre_mm,
                f"the nearest hole in the mesh is {far[chosen]:.0f} mm away",
                unit="mm",
                hint=f"its middle is at {list(found)}",
            )
    others = [i for i in range(len(loops)) if i != chosen]
    for i in others:
        if sizes[i] > SMALL_HOLE * mesh.area:
            raise MouldError(
                "mesh",
                len(loops),
                "must have one opening",
                unit="holes",
                hint=f"the second is {sizes[i] / 100:.2g} cm2: close it in the drawing",
            )
    if others:
        mesh = _close(mesh, [loops[i] for i in others])
        notes.append(f"{len(others)} small hole(s) beside the opening were closed.")
    return mesh, loops[chosen]


def _check_edges(mesh: trimesh.Trimesh) -> None:
    _, uses = np.unique(mesh.edges_sorted, axis=0, return_counts=True)
    worst = int(uses.max())
    if worst > 2:
        raise MouldError(
            "mesh", worst, "must be at most 2 triangles on an edge", unit="triangles on one edge"
        )


def boundary_loops(triangles: Index) -> list[Index]:
    """Closed loops of edges that have one triangle, each running with its triangles.

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
    """Area of a loop's flat shadow along its own normal (the length of its vector area)."""
    return float(np.linalg.norm(0.5 * np.cross(loop, np.roll(loop, -1, axis=0)).sum(axis=0)))


def _close(mesh: trimesh.Trimesh, loops: list[Index]) -> trimesh.Trimesh:
    points, faces = [np.asarray(mesh.vertices)], [np.asarray(mesh.faces)]
    count = len(mesh.vertices)
    for loop in loops:
        points.append(points[0][loop].mean(axis=0)[None])
        faces.append(np.column_stack([np.roll(loop, -1), loop, np.full(len(loop), count)]))
        count += 1
    return trimesh.Trimesh(np.concatenate(points), np.concatenate(faces), process=False)


def _cut_open(
    mesh: trimesh.Trimesh, wanted: Opening, notes: list[str]
) -> tuple[trimesh.Trimesh, Index]:
    """A closed mesh with a stated opening is cut there by a plane; without one it is refused."""
    if wanted.centre_mm is None or wanted.direction is None:
        raise MouldError(
            "mesh",
            "closed",
            "has no opening to pour through",
            hint="leave the opening's face out of the mesh, or state [opening] centre_mm and "
            "direction, and it is cut there",
        )
    if mesh.volume < 0:
        mesh.invert()
        notes.append("The mesh was inside out; its triangles were turned round.")
    normal = np.asarray(wanted.direction, dtype=np.float64)
    normal = normal / np.linalg.norm(normal)
    centre = np.asarray(wanted.centre_mm)
    # A hair inside, so that a flat face on the plane itself goes away whole.
    origin = centre - normal * 2e-3 * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    below = mesh.slice_plane(origin, -normal)
    above = mesh.slice_plane(origin, normal)
    if len(above.faces) == 0 or len(below.faces) == 0:
        raise MouldError(
            "opening.centre_mm", wanted.centre_mm, "the plane there misses the mesh", unit="mm"
        )
    above.merge_vertices()
    parts = list(above.split(only_watertight=False))
    nearest = min(range(len(parts)), key=lambda i: _distance(parts[i], centre))
    kept = [below, *(part for i, part in enumerate(parts) if i != nearest)]
    offsets = np.cumsum([0, *(len(part.vertices) for part in kept)])
    mesh = trimesh.Trimesh(
        np.concatenate([part.vertices for part in kept]),
        np.concatenate([part.faces + shift for part, shift in zip(kept, offsets, strict=False)]),
        process=False,
    )
    _weld(mesh)
    mesh.update_faces(mesh.nondegenerate_faces())
    mesh.remove_unreferenced_vertices()
    loops = boundary_loops(np.asarray(mesh.faces))
    points = np.asarray(mesh.vertices)
    if len(loops) != 1:
        raise MouldError(
            "opening.centre_mm",
            wanted.centre_mm,
            f"a cut there leaves {len(loops)} holes: must be one",
            unit="mm",
        )
    if np.linalg.norm(points[loops[0]].mean(axis=0) - centre) > 2 * np.sqrt(
        loop_area(points[loops[0]]) / np.pi
    ):
        raise MouldError("opening.centre_mm", wanted.centre_mm, "is not on the mesh", unit="mm")
    notes.append("The mesh was closed; it was cut open at the stated opening.")
    return mesh, loops[0]


def _distance(mesh: trimesh.Trimesh, point: Array) -> float:
    return float(np.linalg.norm(np.asarray(mesh.vertices) - point, axis=1).min())


def _opening(points_mm: Array, triangles: Index, rim: Index) -> OpeningFound:
    """The lid over a single hole has minus the vector area of everything else: its face is out."""
    corners = points_mm[triangles]
    lid = -0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).sum(axis=0)
    size = float(np.linalg.norm(lid))
    loop = points_mm[rim]
    lengths = np.linalg.norm(loop - np.roll(loop, 1, axis=0), axis=1)
    middles = 0.5 * (loop + np.roll(loop, 1, axis=0))
    centre = (lengths[:, None] * middles).sum(axis=0) / lengths.sum()
    direction = lid / size if size > 0 else np.array([0.0, 0.0, 1.0])
    return OpeningFound(
        centre_mm=(float(centre[0]), float(centre[1]), float(centre[2])),
        direction=(float(direction[0]), float(direction[1]), float(direction[2])),
        area_cm2=size * 1e-2,
    )


# --- Geometry that needs a search ----------------------------------------------------------------


def _check_crossings(mesh: trimesh.Trimesh) -> None:
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
    """Pairs of triangles of which one's edge pierces the other's inside: shape (k, 2).

    Candidates come from overlapping boxes; the test is the segment's crossing of the plane with
    barycentric coordinates inside by 1e-7. Touching and coplanar pairs do not count.
    """
    corners = points[triangles]
    low, high = corners.min(axis=1), corners.max(axis=1)
    # A plane of shadow in which few boxes overlap: drop the shortest side of the whole.
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
    """Segment against triangle, each (k, 3) and (k, 3, 3) (Moller and Trumbore 1997)."""
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


def facet_mm(points: Array, triangles: Index) -> float:
    """Width of the triangles (m, 3) of points (n, 3), mm, across the edges at which a round wall
    bends, the median by the edges' length; 0 where nothing bends.

    A film computed on cells narrower than this sees edges where a mould is round: three coats on
    the sample globe (4 mm) left 0.95 of the mean at the thinnest on cells of 5 mm, 0.91 on 3.5 mm
    and 0.80 on 2.7 mm; on a globe of 1 mm triangles 0.91, 0.90 and, on 3.0 mm, 0.89.
    """
    mesh = trimesh.Trimesh(points, triangles, process=False)
    bend_deg = np.degrees(mesh.face_adjacency_angles)
    bent = (bend_deg > ROUND_DEG[0]) & (bend_deg < ROUND_DEG[1])
    if not bent.any():
        return 0.0
    ends = points[mesh.face_adjacency_edges[bent]]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    width = mesh.area_faces[mesh.face_adjacency[bent]].sum(axis=1) / length
    order = np.argsort(width)
    share = np.cumsum(length[order]) / length.sum()
    return float(width[order][np.searchsorted(share, 0.5)])


def narrowest(points: Array, triangles: Index) -> tuple[float, Array]:
    """Smallest inside ball that touches two walls facing each other: its radius and middle.

    Shrinking balls (Ma, Bae and Choi 2012, The Visual Computer 28:7): from each sample point p
    with inward normal n, shrink the tangent ball until no other sample lies in it. Only balls
    between walls that face each other are passages: a ball in a corner touches walls that meet.
    """
    mesh = trimesh.Trimesh(points, triangles, process=False)
    samples, faces = trimesh.sample.sample_surface_even(mesh, SAMPLES_FOR_NECK, seed=1)
    samples = np.asarray(samples)
    inward = -np.asarray(mesh.face_normals)[faces]
    tree = cKDTree(samples)
    radius = np.full(len(samples), 0.5 * float(np.linalg.norm(np.ptp(points, axis=0))))
    touch = np.arange(len(samples))
    for _ in range(30):
        middle = samples + inward * radius[:, None]
        distance, nearest = tree.query(middle)
        step = samples - samples[nearest]
        # The ball through p tangent to n that also passes through q: |p-q|^2 / (2 n.(q-p)).
        slope = -2.0 * np.einsum("ij,ij->i", inward, step)
        smaller = np.einsum("ij,ij->i", step, step) / np.where(slope > 0, slope, np.inf)
        shrink = (distance < radius * (1 - 1e-3)) & (slope > 0) & (smaller < radius)
        if not shrink.any():
            break
        radius = np.where(shrink, smaller, radius)
        touch = np.where(shrink, nearest, touch)
    middle = samples + inward * radius[:, None]
    to_other = (samples[touch] - middle) / radius[:, None]
    # Samples are a few mm apart, so the walls' own directions must agree with the contacts'.
    far_side = np.einsum("ij,ij->i", to_other, -inward)
    against = np.einsum("ij,ij->i", inward[touch], inward)
    facing = np.maximum(far_side, against) < np.cos(np.radians(OPPOSITE_DEG))
    if not facing.any():
        return float(radius.max()), middle[int(radius.argmax())]
    narrow = np.where(facing, radius, np.inf)
    # One sample may sit on a bump; the second percentile of the passages stands for the neck.
    limit = float(np.quantile(radius[facing], 0.02))
    at = int(np.abs(np.where(facing, narrow, np.inf) - limit).argmin())
    return limit, middle[at]
