"""The mould: checks a mesh and returns it as a cavity.

The mesh is the casting's outer surface, which is the mould's inside. It must be one body with one
opening, its normals outwards. Faults that can be repaired without changing the wall are repaired
and noted in `Cavity.notes`; any other fault raises a MouldError of one line.
"""

from __future__ import annotations

import hashlib
import math
import struct
import zipfile
import zlib
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import trimesh

from evenwall.errors import InputError
from evenwall.geometry import mesh_files
from evenwall.geometry.crossings import check_crossings
from evenwall.geometry.facets import COARSE_FACETS_MM, facet_mm, narrowest
from evenwall.geometry.opening_of_mesh import one_opening, opening_found, weld
from evenwall.geometry.surface import (
    Array,
    Index,
    MouldError,
    Surface,
    enclosed_volume,
    surface_integrals,
)
from evenwall.model import Casting, Mount, OpeningFound
from evenwall.units import MM_PER_INCH

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": MM_PER_INCH}
# Sizes of a mould, from a pendant to a barrel. Outside them the mesh's units are wrong.
SMALLEST_MM, LARGEST_MM = 20.0, 2000.0
MOST_FACES = 2_000_000
BALL_STEPS = 2000
# Errors that the readers of the four formats raise for invalid files.
UNREADABLE = (
    *(ValueError, KeyError, IndexError, TypeError, AttributeError, SyntaxError),
    *(
        NameError,
        zipfile.BadZipFile,
        struct.error,
        zlib.error,
        EOFError,
        ArithmeticError,
        StopIteration,
    ),
)


@dataclass(frozen=True, eq=False)
class Cavity:
    """A checked mould.

    vertices_mm (n, 3) in the mesh's own frame, mm; triangles (m, 3), outward; rim (k,) vertex
    numbers of the opening's loop in order. `rotation` (3, 3) and `crossing_mm` (3,) transform the
    mesh to the mould frame of the two axes: x_m = rotation (x - crossing).
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

    @cached_property
    def area_cm2(self) -> float:
        return self.surface().area_m2 * 1e4

    def points_m(self) -> Array:
        """Vertices in the mould frame, m: shape (n, 3)."""
        return (self.vertices_mm - self.crossing_mm) @ self.rotation.T * 1e-3

    def opening_centre_m(self) -> Array:
        centre = np.asarray(self.opening.centre_mm)
        return np.asarray(self.rotation @ (centre - self.crossing_mm) * 1e-3)

    def opening_direction(self) -> Array:
        """Unit vector out of the cavity, in the mould frame: shape (3,)."""
        return np.asarray(self.rotation @ np.asarray(self.opening.direction))

    def mouth_lean_deg(self) -> float:
        """Angle between the opening's direction and the minor axis, 0 to 90 degrees; the axis has
        no sense."""
        return math.degrees(math.acos(min(1.0, abs(float(self.opening_direction()[2])))))

    def mounted(self, mount: Mount) -> Cavity:
        """Return the same cavity with another minor axis, about the same crossing."""
        return replace(self, rotation=mount_rotation(mount))

    def reach_mm(self) -> float:
        """Distance of the cavity's farthest point from the crossing of the axes."""
        return float(np.linalg.norm(self.vertices_mm - self.crossing_mm, axis=1).max())

    def least_reach_mm(self) -> tuple[float, Array]:
        """Least distance that the farthest point can have, and the crossing (3,) that gives it, mm
        in the mesh's own frame.

        It is the centre of the smallest ball around the cavity, found by ever smaller steps towards
        the farthest point (Badoiu and Clarkson 2003, SODA: error at most radius / sqrt(steps); here
        it falls about as radius / steps).
        """
        points = np.asarray(trimesh.convex.convex_hull(self.vertices_mm).vertices)
        centre = points.mean(axis=0)
        for step in range(1, BALL_STEPS + 1):
            farthest = points[np.linalg.norm(points - centre, axis=1).argmax()]
            centre = centre + (farthest - centre) / (step + 1)
        return float(np.linalg.norm(points - centre, axis=1).max()), centre

    def surface(self, offset_mm: float = 0.0) -> Surface:
        """Return integrals, in the mould frame, of the surface moved outwards by `offset_mm`."""
        points = self.points_m()
        if offset_mm:
            mesh = trimesh.Trimesh(points, self.triangles, process=False)
            points = points + np.asarray(mesh.vertex_normals) * (offset_mm * 1e-3)
        return surface_integrals(points, self.triangles)

    def neck_radius_mm(self) -> tuple[float, Array]:
        """Radius of the narrowest passage between opposite walls, and its place (mesh frame,
        mm)."""
        return narrowest(self.vertices_mm, self.triangles)


def load_cavity(casting: Casting) -> Cavity:
    """Read the casting's mesh and check it. Raises MouldError."""
    mesh, sha, notes = _read(casting)
    _check_size(mesh, casting)
    mesh, rim = one_opening(mesh, casting.opening, notes)
    volume = enclosed_volume(np.asarray(mesh.vertices), np.asarray(mesh.faces), rim)
    if volume < 0:
        mesh.invert()
        rim = rim[::-1].copy()
        volume = -volume
        notes.append("The mesh was inside out; its triangles were turned round.")
    check_crossings(mesh)
    points = np.asarray(mesh.vertices, dtype=np.float64)
    triangles = np.asarray(mesh.faces, dtype=np.int64)
    facets = facet_mm(points, triangles)
    if facets > COARSE_FACETS_MM:
        notes.append(
            f"In curved places the triangles of the mesh are about {facets:.0f} mm wide, and the "
            f"film collects at their edges. If the mould is round there, export it with triangles "
            f"of "
            f"4 mm."
        )
    return Cavity(
        vertices_mm=points,
        triangles=triangles,
        rim=rim,
        opening=opening_found(points, triangles, rim),
        solid_volume_cm3=volume * 1e-3,
        rotation=mount_rotation(casting.mount),
        crossing_mm=_crossing(casting.mount, points, triangles),
        mesh_sha256=sha,
        notes=tuple(notes),
    )


def mount_rotation(mount: Mount) -> Array:
    """Return the smallest rotation that turns the mount's minor axis to z, shape (3, 3)
    (Rodrigues)."""
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
    if not mesh_files.is_surface(mesh):
        limit = "must be triangles between its own corners, in x, y and z"
        raise MouldError("mesh", path.name, limit)
    mesh = trimesh.Trimesh(
        np.asarray(mesh.vertices) * MM_PER_UNIT[casting.mesh_units], mesh.faces, process=False
    )
    weld(mesh)
    count = len(mesh.faces)
    mesh.update_faces(mesh.nondegenerate_faces() & mesh.unique_faces())
    mesh.remove_unreferenced_vertices()
    if len(mesh.faces) < count:
        notes.append(f"{count - len(mesh.faces)} empty or duplicate triangles were left out.")
    if len(mesh.faces) < 4:
        raise MouldError("mesh", len(mesh.faces), "must have at least 4 triangles with area")
    return mesh, hashlib.sha256(raw).hexdigest(), notes


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
