"""Random castable forms by seed, of five kinds, in mm; none is made by hand.

A seed gives one form anywhere. A form that the mould check or the frame refuses is drawn again from
the same seed, so every form is a checked cavity with one opening.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

from evenwall.errors import EvenwallError
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import Casting, RigSpec
from evenwall.planning.loading import check_reach
from evenwall.planning.make import check_neck
from tests.bench.forms import blended, cuboid, implicit, turned

Array = NDArray[np.float64]
Random = np.random.Generator

MOST_LEAN_DEG = 60.0
SIZE_MM = (80.0, 300.0)  # longest side
DRAWN_MM = 120.0  # forms are drawn about so large, then brought to size
DRAWS = 40


@dataclass(frozen=True)
class Form:
    """One form: its kind, its mesh in mm, the lean of its mouth and its longest side."""

    kind: str
    mesh: trimesh.Trimesh
    lean_deg: float
    size_mm: float


def _ball(centre: Array, radius: float) -> Callable[[Array, Array, Array], Array]:
    def formula(x: Array, y: Array, z: Array) -> Array:
        return np.sqrt((x - centre[0]) ** 2 + (y - centre[1]) ** 2 + (z - centre[2]) ** 2) - radius

    return formula


def _pipe(start: Array, end: Array, radius: float) -> Callable[[Array, Array, Array], Array]:
    along = end - start

    def formula(x: Array, y: Array, z: Array) -> Array:
        point = np.stack([x, y, z], axis=-1) - start
        part = np.clip(point @ along / (along @ along), 0.0, 1.0)
        return np.linalg.norm(point - part[..., None] * along, axis=-1) - radius

    return formula


def _body(parts: list[Callable[[Array, Array, Array], Array]], width_mm: float) -> Array:
    """Triangles (n, 3, 3) of a union of bodies, its joints eased."""

    def formula(x: Array, y: Array, z: Array) -> Array:
        return blended([part(x, y, z) for part in parts], width_mm)

    return implicit(formula, (-105, -105, -105), (105, 105, 105))


def _direction(draw: Random, least_z: float, most_z: float) -> Array:
    z, around = draw.uniform(least_z, most_z), draw.uniform(0.0, 2.0 * np.pi)
    flat = np.sqrt(1.0 - z * z)
    return np.array([flat * np.cos(around), flat * np.sin(around), z])


def _blob(draw: Random) -> Array:
    """Balls grown into one another."""
    parts = [_ball(np.zeros(3), draw.uniform(34.0, 46.0))]
    for _ in range(draw.integers(2, 6)):
        centre = _direction(draw, -1.0, 1.0) * draw.uniform(18.0, 42.0)
        parts.append(_ball(centre, draw.uniform(16.0, 34.0)))
    return _body(parts, draw.uniform(3.0, 7.0))


def _branching(draw: Random) -> Array:
    """Arms from a knot, one of them up to the mouth."""
    parts = [_pipe(np.zeros(3), np.array([0.0, 0.0, 70.0]), draw.uniform(20.0, 28.0))]
    for _ in range(draw.integers(2, 4)):
        end = _direction(draw, -1.0, 0.3) * draw.uniform(45.0, 68.0)
        parts.append(_pipe(np.zeros(3), end, draw.uniform(18.0, 26.0)))
    return _body(parts, draw.uniform(3.0, 6.0))


def _fingers(draw: Random) -> Array:
    """A palm on a wrist that is the mouth, and fingers below it."""
    palm = draw.uniform(24.0, 32.0)
    parts = [
        _pipe(np.array([-0.4 * palm, 0.0, 0.0]), np.array([0.4 * palm, 0.0, 10.0]), palm),
        _pipe(np.zeros(3), np.array([0.0, 0.0, 72.0]), 0.85 * palm),
    ]
    for k in range(draw.integers(2, 5)):
        root = np.array([palm * (-0.8 + 0.55 * k), 0.0, -8.0])
        tip = root + np.array([9.0 * (k - 1.5), draw.uniform(-25.0, 25.0), draw.uniform(-72, -45)])
        parts.append(_pipe(root, tip, draw.uniform(10.0, 14.0)))
    return _body(parts, draw.uniform(2.0, 4.0))


def _lathed(draw: Random) -> trimesh.Trimesh:
    """An outline about z, with a neck or without."""
    heights = np.sort(np.concatenate([[-60.0, 60.0], draw.uniform(-52.0, 52.0, 3)]))
    radii = draw.uniform(22.0, 50.0, 5)
    if draw.random() < 0.5:
        radii[3] = draw.uniform(17.0, 22.0)
    outline = [(0.0, -60.0), *((float(r), float(z)) for r, z in zip(radii, heights, strict=True))]
    return turned(outline, draw.uniform(8.0, 14.0), 72)


def _boxy(draw: Random) -> trimesh.Trimesh:
    """A box with rounded edges, open at its top."""
    across, deep, high = (float(v) for v in draw.uniform(60.0, 120.0, 3))
    return cuboid((across, deep, high), float(draw.uniform(6.0, 14.0)))


IMPLICIT: dict[str, Callable[[Random], Array]] = {
    "blob": _blob,
    "branching": _branching,
    "fingers": _fingers,
}
WHOLE: dict[str, Callable[[Random], trimesh.Trimesh]] = {"lathed": _lathed, "boxy": _boxy}
KINDS = (*IMPLICIT, *WHOLE)


def _leaning(lean_deg: float, around_rad: float) -> Array:
    """Rotation (4, 4) that leans z by an angle, to one side."""
    axis = [np.cos(around_rad), np.sin(around_rad), 0.0]
    return np.asarray(trimesh.transformations.rotation_matrix(np.radians(lean_deg), axis))


def _opened(triangles: Array, height_part: float) -> trimesh.Trimesh:
    """Cut off the top, so that the mouth looks up z."""
    corners, index = np.unique(np.round(triangles.reshape(-1, 3), 5), axis=0, return_inverse=True)
    whole = trimesh.Trimesh(corners, index.reshape(-1, 3))
    whole.fix_normals()
    low, high = whole.bounds[:, 2]
    opened = whole.slice_plane([0.0, 0.0, low + height_part * (high - low)], [0.0, 0.0, -1.0])
    opened.merge_vertices()
    opened.update_faces(opened.nondegenerate_faces(height=1e-3))
    opened.remove_unreferenced_vertices()
    return opened


def _drawn(draw: Random, kind: str) -> Form:
    lean_deg = float(draw.uniform(0.0, MOST_LEAN_DEG))
    lean = _leaning(lean_deg, float(draw.uniform(0.0, 2.0 * np.pi)))
    if kind in IMPLICIT:
        mesh = _opened(IMPLICIT[kind](draw), float(draw.uniform(0.82, 0.92)))
    else:
        mesh = WHOLE[kind](draw)
    mesh.apply_transform(lean)
    size_mm = float(draw.uniform(*SIZE_MM))
    mesh.apply_scale(size_mm / float(mesh.extents.max()))
    return Form(kind, mesh, lean_deg, size_mm)


def form(seed: int, casting: Callable[[Path], Casting], rig: RigSpec, path: Path) -> Form:
    """The form of a seed, written to `path`, checked as a casting on a rig.

    Raises RuntimeError when none of `DRAWS` draws could be cast.
    """
    draw = np.random.default_rng(seed)
    kind, why = KINDS[seed % len(KINDS)], ""
    for _ in range(DRAWS):
        found = _drawn(draw, kind)
        found.mesh.export(path)
        try:
            _checked(casting(path), rig)
        except EvenwallError as refused:
            why = str(refused)
            continue
        return found
    raise RuntimeError(f"seed {seed}, {kind}: none of {DRAWS} forms could be cast; last: {why}")


def _checked(casting: Casting, rig: RigSpec) -> Cavity:
    cavity = load_cavity(casting)
    check_reach(casting, cavity, rig)
    check_neck(casting, cavity)
    return cavity
