"""Cuts that open a closed form."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from evenwall.errors import InputError
from evenwall.geometry.shapes.sections import Array, Index
from evenwall.geometry.surface import boundary_loops, loop_area

LEVELS = 240  # heights that are tried for an opening of a stated width
NEAR_END = 0.002  # share of the height: no cut is nearer to an end
FLAT_END = 0.25  # of the largest section: an end whose next section has this is flat


def at_diameter(points: Array, faces: Index, diameter_mm: float, side: str) -> float:
    """Return the height, nearest the stated side, of a level cut with the area of this diameter.

    Raises InputError if the form is nowhere this wide, or is wider at its end.
    """
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    levels = np.linspace(low, high, LEVELS + 2)[1:-1]
    if side == "top":
        levels = levels[::-1]
    wide = 2.0 * np.sqrt(section_areas(points, faces, levels) / np.pi)
    enough = np.flatnonzero(wide >= diameter_mm)
    if not len(enough):
        raise InputError(
            "mouth.diameter_mm",
            f"{diameter_mm:g}",
            f"the form is {wide.max():.0f} mm across at its widest",
            unit="mm",
            hint="measure the opening again, and the form where it is widest",
        )
    k = int(enough[0])
    if k == 0:
        raise InputError(
            "mouth.diameter_mm",
            f"{diameter_mm:g}",
            f"the form's {side} is {wide[0]:.0f} mm across already",
            unit="mm",
            hint=f"height_mm = {high if side == 'top' else low:g} opens it at its {side}",
        )
    return float(np.interp(diameter_mm, [wide[k - 1], wide[k]], [levels[k - 1], levels[k]]))


def off_flat_end(points: Array, faces: Index, height_mm: float, side: str) -> float:
    """Return the height of a level cut; one in the form's flat end is moved just inside it."""
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    room = 1.01 * NEAR_END * (high - low)
    end, inside = (high, high - room) if side == "top" else (low, low + room)
    if abs(height_mm - end) >= room:
        return height_mm
    areas = section_areas(points, faces, np.array([inside, *np.linspace(low, high, 12)[1:-1]]))
    return inside if areas[0] >= FLAT_END * areas.max() else height_mm


def section_areas(points: Array, faces: Index, levels: NDArray[np.float64]) -> Array:
    """Area of the closed form's cut at each height, mm2: one half of the boundary's x dy - y dx."""
    corners = points[faces]
    z = corners[:, :, 2]
    found = np.zeros(len(levels))
    for k, level in enumerate(levels):
        above = z > level
        cut = above.any(axis=1) & ~above.all(axis=1)
        c, a = corners[cut], above[cut]
        alone = np.where(a.sum(axis=1) == 1, a.argmax(axis=1), (~a).argmax(axis=1))
        row = np.arange(len(c))
        tip, one, two = c[row, alone], c[row, (alone + 1) % 3], c[row, (alone + 2) % 3]
        ends = []
        for other in (one, two):
            part = (level - tip[:, 2]) / (other[:, 2] - tip[:, 2])
            ends.append(tip[:, :2] + part[:, None] * (other - tip)[:, :2])
        sign = np.where(a[row, alone], 1.0, -1.0)
        p, q = ends
        found[k] = abs(0.5 * float((sign * (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])).sum()))
    return found


def middle_of(points: Array) -> Array:
    """Middle of the form's width and depth, at its lowest point."""
    low, high = points.min(axis=0), points.max(axis=0)
    return np.array([*(0.5 * (low + high))[:2], low[2]])


def plane_of(points: Array, loop: Index) -> tuple[float, tuple[float, float]]:
    """Return height and lean of an opening's plane: its height at the middle of the form, in mm,
    and its slopes along x and along y, in degrees; infinite for a vertical plane."""
    rim = points[loop]
    centre = rim.mean(axis=0)
    normal = np.cross(rim - centre, np.roll(rim, -1, axis=0) - centre).sum(axis=0)
    if abs(normal[2]) < 1e-6 * float(np.linalg.norm(normal)):
        return float(centre[2]), (float("inf"), float("inf"))
    slope = -normal[:2] / normal[2]
    height = float(centre[2] + slope @ (middle_of(points)[:2] - centre[:2]))
    lean = np.degrees(np.arctan(slope))
    return height, (float(lean[0]), float(lean[1]))


def cut_level(
    points: Array,
    faces: Index,
    height_mm: float,
    side: str,
    lean_deg: tuple[float, float] = (0.0, 0.0),
) -> tuple[Array, Index]:
    """Return the closed form without its part beyond a plane, open there; see `Mouth`.

    Raises InputError if the plane misses the form or leaves more than one opening.
    """
    slope = np.tan(np.radians(lean_deg))
    origin = np.array([*middle_of(points)[:2], height_mm])
    above = points[:, 2] - height_mm - (points[:, :2] - origin[:2]) @ slope
    room = NEAR_END * float(np.ptp(points[:, 2]))
    if above.min() > -room or above.max() < room:
        low = height_mm + float(above.min()) + room
        high = height_mm + float(above.max()) - room
        limit = f"must lie between {low:.1f} mm and {high:.1f} mm"
        hint = "measure the height of the opening again, from the table"
        raise InputError("mouth.height_mm", f"{height_mm:g}", limit, unit="mm", hint=hint)
    normal = np.array([*slope, -1.0]) / np.sqrt(1.0 + slope @ slope)
    mesh = trimesh.Trimesh(points, faces, process=False)
    cut = mesh.slice_plane(origin, normal if side == "top" else -normal)
    cut.merge_vertices(digits_vertex=6)
    cut.update_faces(cut.nondegenerate_faces(height=1e-4))
    cut.remove_unreferenced_vertices()
    kept = np.asarray(cut.vertices, dtype=np.float64), np.asarray(cut.faces, dtype=np.int64)
    loops = boundary_loops(kept[1])
    real = [loop for loop in loops if loop_area(kept[0][loop]) > 1.0]
    if len(real) != 1:
        raise InputError(
            "mouth.height_mm",
            f"{height_mm:.1f}",
            f"a cut there leaves {len(real)} openings: must be one",
            unit="mm",
            hint="cut a little higher or lower, or lean the cut less",
        )
    return kept
