"""Forms of our own on which plans are tried: all invented, mm, open where the resin is poured."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pymeshlab
import trimesh
from numpy.typing import NDArray

from evenwall.samples.make_meshes import lantern_globe, lighthouse, revolve, rounded, sea_rock

Array = NDArray[np.float64]


def turned(outline_mm: list[tuple[float, float]], round_mm: float, around: int) -> trimesh.Trimesh:
    """An outline (radius, height) about z, its corners eased."""
    eased = rounded([(float(r), float(z)) for r, z in outline_mm], 4.0, round_mm)
    return revolve(eased[:, 0], eased[:, 1], around)


def implicit(formula: str, low: tuple[int, int, int], high: tuple[int, int, int]) -> Array:
    """The surface on which the formula is zero (below it inside), as triangles (n, 3, 3)."""
    maker = pymeshlab.MeshSet()
    maker.create_implicit_surface(
        voxelsize=3.0,
        **{f"min{axis}": float(value) for axis, value in zip("xyz", low, strict=True)},
        **{f"max{axis}": float(value) for axis, value in zip("xyz", high, strict=True)},
        expr=formula,
    )
    made = maker.current_mesh()
    return np.asarray(made.vertex_matrix()[made.face_matrix()])


def cut(triangles: Array, height_mm: float, axis: int = 2) -> trimesh.Trimesh:
    """Cut off the part above a height along an axis; the form is open there."""
    corners, index = np.unique(np.round(triangles.reshape(-1, 3), 5), axis=0, return_inverse=True)
    whole = trimesh.Trimesh(corners, index.reshape(-1, 3))
    whole.fix_normals()
    ahead = np.eye(3)[axis]
    opened = whole.slice_plane(height_mm * ahead, -ahead)
    opened.merge_vertices()
    opened.update_faces(opened.nondegenerate_faces(height=1e-3))
    opened.remove_unreferenced_vertices()
    return opened


def cuboid(size_mm: tuple[float, float, float], round_mm: float) -> trimesh.Trimesh:
    """A box with rounded edges, its top open just below the upper rounding."""
    half = np.array(size_mm) / 2
    cube = trimesh.creation.box(2 * half).subdivide_to_size(4)
    points = np.asarray(cube.vertices)
    inner = np.clip(points, round_mm - half, half - round_mm)
    out = points - inner
    points = inner + out / np.linalg.norm(out, axis=1, keepdims=True) * round_mm
    return cut(points[cube.faces], float(half[2] - round_mm) - 0.1)


def vase() -> trimesh.Trimesh:
    return turned([(0, -80), (38, -80), (45, -60), (60, -10), (50, 30), (28, 55), (34, 80)], 14, 70)


def bottle() -> trimesh.Trimesh:
    outline = [(0, -80), (45, -80), (50, -70), (50, 10), (45, 30), (20, 50), (16, 60), (16, 85)]
    return turned(outline, 10, 60)


def bust() -> trimesh.Trimesh:
    """Shoulders, a neck and a head with lumps, standing on its head: the shoulders are open."""
    head = "sqrt((x/42)^2+(y/50)^2+((z+38)/52)^2)-1"
    lumps = "-0.10*exp(-((x-8)^2+(y-50)^2+(z+40)^2)/200)-0.12*exp(-((x+40)^2+y^2+(z+35)^2)/300)"
    shoulders = "sqrt((x/72)^2+(y/46)^2+((z-72)/46)^2)-1"
    neck = "max(sqrt(x^2+y^2)/29-1,max(-30-z,z-60)/40)"
    joined = f"-0.12*log(exp(-({head})/0.12)+exp(-({shoulders})/0.12)+exp(-({neck})/0.12)){lumps}"
    return cut(implicit(joined, (-96, -72, -108), (96, 72, 132)), 66.0)


def box() -> trimesh.Trimesh:
    return cuboid((110.0, 80.0, 120.0), 12.0)


def chest() -> trimesh.Trimesh:
    """Low, with sharper edges and no lid."""
    return cuboid((130.0, 90.0, 75.0), 7.0)


def branch() -> trimesh.Trimesh:
    """A pipe bent at a right angle, one arm open, the other closed."""
    up = "sqrt(x^2+y^2+(max(-40-z,max(z-120,0)))^2)-28"
    side = "sqrt((max(-x,max(x-62,0)))^2+y^2+(z+40)^2)-26"
    joined = f"-5*log(exp(-({up})/5)+exp(-({side})/5))"
    return cut(implicit(joined, (-48, -48, -84), (108, 48, 168)), 62.0)


def bowl() -> trimesh.Trimesh:
    """Wide and shallow, open over all its width."""
    return turned([(0, -30), (30, -30), (62, -8), (80, 32)], 16, 90)


def cone() -> trimesh.Trimesh:
    """A blunt tip below, open at the foot."""
    return turned([(0, -75), (9, -75), (58, 75)], 10, 70)


def dome() -> trimesh.Trimesh:
    """Half a ball on a short skirt, the skirt's foot open and looking down."""
    polar = np.radians(np.linspace(180.0, 90.0, 29))
    r = np.append(68 * np.sin(polar), np.full(5, 68.0))
    z = np.append(68 * np.cos(polar), np.linspace(4.0, 20.0, 5))
    r[0] = 0.0
    made = revolve(r, z, 90)
    made.apply_transform(trimesh.transformations.rotation_matrix(np.pi, [1, 0, 0]))
    return made


def egg() -> trimesh.Trimesh:
    """An egg lying on the frame, open at its side."""
    formula = "sqrt((x/56)^2+(y/52)^2+(z/(76-8*z/76))^2)-1"
    return cut(implicit(formula, (-72, -72, -96), (72, 72, 96)), 44.0, axis=0)


def ring() -> trimesh.Trimesh:
    """A ring standing up, open at its top."""
    formula = "sqrt((sqrt(x^2+z^2)-58)^2+y^2)-27"
    return cut(implicit(formula, (-96, -36, -96), (96, 36, 96)), 74.0)


FORMS: dict[str, Callable[[], trimesh.Trimesh]] = {
    "globe": lantern_globe,
    "lighthouse": lighthouse,
    "rock": sea_rock,
    "vase": vase,
    "bottle": bottle,
    "bust": bust,
    "box": box,
    "chest": chest,
    "branch": branch,
    "bowl": bowl,
    "cone": cone,
    "dome": dome,
    "egg": egg,
    "ring": ring,
}
BOXY = {"lighthouse", "bust", "box", "chest", "branch", "ring"}
