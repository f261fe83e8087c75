"""Our own forms for trial plans: all invented, in mm, open where the resin is poured."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations

import numpy as np
import trimesh
from numpy.typing import NDArray

from evenwall.samples.make_meshes import lantern_globe, lighthouse, revolve, rounded, sea_rock

Array = NDArray[np.float64]
Formula = Callable[[Array, Array, Array], Array]
VOXEL_MM = 3.0


def turned(outline_mm: list[tuple[float, float]], round_mm: float, around: int) -> trimesh.Trimesh:
    """An outline (radius, height) about z, its corners eased."""
    eased = rounded([(float(r), float(z)) for r, z in outline_mm], 4.0, round_mm)
    return revolve(eased[:, 0], eased[:, 1], around)


def implicit(formula: Formula, low: tuple[int, int, int], high: tuple[int, int, int]) -> Array:
    """The surface on which the formula is zero (below it inside), as triangles (n, 3, 3).

    Marching tetrahedra (Doi and Koide 1991): every voxel is six tetrahedra round its diagonal
    (Kuhn), and the surface is straight in each.
    """
    axes = [np.arange(a, b + VOXEL_MM, VOXEL_MM) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    # No value is zero itself: a corner on the surface would make triangles without area.
    value = formula(*(grid[..., k] for k in range(3)))
    value = np.where(np.abs(value) < 1e-3, 1e-3, value)
    corner = np.moveaxis(np.indices(value.shape), 0, -1)[:-1, :-1, :-1].reshape(-1, 3)
    found = []
    for order in permutations(range(3)):
        way = np.vstack(
            [
                np.zeros((1, 3), dtype=np.int64),
                np.cumsum(np.eye(3, dtype=np.int64)[list(order)], axis=0),
            ]
        )
        at = tuple(np.moveaxis(corner[:, None] + way, -1, 0))
        found.append(_surface_in(grid[at], value[at]))
    return np.concatenate(found)


def _surface_in(points: Array, value: Array) -> Array:
    """Triangles (k, 3, 3) of the zero in tetrahedra, points (n, 4, 3) and values (n, 4)."""
    order = np.argsort(value, axis=1)
    value = np.take_along_axis(value, order, axis=1)
    points = np.take_along_axis(points, order[..., None], axis=1)
    inside = (value < 0.0).sum(axis=1)

    def between(rows: Array, a: int, b: int) -> Array:
        share = value[rows, a] / (value[rows, a] - value[rows, b])
        return points[rows, a] + share[:, None] * (points[rows, b] - points[rows, a])

    one, two, three = (inside == k for k in (1, 2, 3))
    quad = [between(two, *ends) for ends in ((0, 2), (0, 3), (1, 3), (1, 2))]
    return np.concatenate(
        [
            np.stack([between(one, 0, k) for k in (1, 2, 3)], axis=1),
            np.stack([between(three, k, 3) for k in (0, 1, 2)], axis=1),
            np.stack([quad[0], quad[1], quad[2]], axis=1),
            np.stack([quad[0], quad[2], quad[3]], axis=1),
        ]
    )


def blended(values: list[Array], width: float) -> Array:
    """The union of bodies with their joints eased over `width`."""
    return -width * np.log(sum(np.exp(-value / width) for value in values))


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
    """A box with rounded edges, open just below the upper rounding."""
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
    """A bust upside down: shoulders, a neck and a lumpy head; the shoulders are open."""

    def formula(x: Array, y: Array, z: Array) -> Array:
        head = np.sqrt((x / 42) ** 2 + (y / 50) ** 2 + ((z + 38) / 52) ** 2) - 1
        nose = 0.10 * np.exp(-((x - 8) ** 2 + (y - 50) ** 2 + (z + 40) ** 2) / 200)
        ear = 0.12 * np.exp(-((x + 40) ** 2 + y**2 + (z + 35) ** 2) / 300)
        shoulders = np.sqrt((x / 72) ** 2 + (y / 46) ** 2 + ((z - 72) / 46) ** 2) - 1
        neck = np.maximum(np.hypot(x, y) / 29 - 1, np.maximum(-30 - z, z - 60) / 40)
        return blended([head, shoulders, neck], 0.12) - nose - ear

    return cut(implicit(formula, (-96, -72, -108), (96, 72, 132)), 66.0)


def box() -> trimesh.Trimesh:
    return cuboid((110.0, 80.0, 120.0), 12.0)


def chest() -> trimesh.Trimesh:
    """Low, with sharper edges and no lid."""
    return cuboid((130.0, 90.0, 75.0), 7.0)


def branch() -> trimesh.Trimesh:
    """A pipe bent at a right angle, one arm open, the other closed."""

    def formula(x: Array, y: Array, z: Array) -> Array:
        over = np.maximum(-40 - z, np.maximum(z - 120, 0))
        up = np.sqrt(x**2 + y**2 + over**2) - 28
        beyond = np.maximum(-x, np.maximum(x - 62, 0))
        side = np.sqrt(beyond**2 + y**2 + (z + 40) ** 2) - 26
        return blended([up, side], 5.0)

    return cut(implicit(formula, (-48, -48, -84), (108, 48, 168)), 62.0)


def bowl() -> trimesh.Trimesh:
    """Wide and shallow, open over all its width."""
    return turned([(0, -30), (30, -30), (62, -8), (80, 32)], 16, 90)


def cone() -> trimesh.Trimesh:
    """A cone with a blunt tip below, open at its wide end."""
    return turned([(0, -75), (9, -75), (58, 75)], 10, 70)


def dome() -> trimesh.Trimesh:
    """Half a ball on a short skirt, open at the foot of the skirt, which points down."""
    polar = np.radians(np.linspace(180.0, 90.0, 29))
    r = np.append(68 * np.sin(polar), np.full(5, 68.0))
    z = np.append(68 * np.cos(polar), np.linspace(4.0, 20.0, 5))
    r[0] = 0.0
    made = revolve(r, z, 90)
    made.apply_transform(trimesh.transformations.rotation_matrix(np.pi, [1, 0, 0]))
    return made


def egg() -> trimesh.Trimesh:
    """An egg lying on the frame, open at its side."""

    def formula(x: Array, y: Array, z: Array) -> Array:
        return np.sqrt((x / 56) ** 2 + (y / 52) ** 2 + (z / (76 - 8 * z / 76)) ** 2) - 1

    return cut(implicit(formula, (-72, -72, -96), (72, 72, 96)), 44.0, axis=0)


def ring() -> trimesh.Trimesh:
    """A ring standing up, open at its top."""

    def formula(x: Array, y: Array, z: Array) -> Array:
        return np.sqrt((np.hypot(x, z) - 58) ** 2 + y**2) / 27 - 1

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
