"""Picture of a shape: front and right side, to scale, with its sizes."""

from __future__ import annotations

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from evenwall.geometry.shapes.shape import Shape
from evenwall.geometry.surface import Array, Index
from evenwall.palette import COATS, INK, PAPER
from evenwall.units import SHOWN, System, percent, shown


def picture(shape: Shape, title: str, units: System = "metric") -> Figure:
    """The form from the front and from its right side, to scale, with its sizes in these units."""
    unit = SHOWN[units]["mm"]
    figure = Figure(figsize=(8, 4.6), layout="constrained", facecolor=PAPER)
    wide, deep, high = shape.size_mm()
    for k, (words, axis, across) in enumerate((("front", 0, wide), ("right side", 1, deep))):
        axes = figure.add_subplot(1, 2, k + 1)
        axes.add_collection(_side(shape, axis, unit.factor))
        axes.set_aspect("equal")
        axes.autoscale_view()
        said = shown(f"{words}: {across:.0f} mm wide, {high:.0f} mm high", units)
        axes.set_title(said, color=INK, fontsize=10)
        axes.set_xlabel(unit.symbol)
        axes.set_facecolor(PAPER)
        for spine in axes.spines.values():
            spine.set_visible(False)
    known = shape.known
    skin, holds = f"{shape.area_cm2:.0f} cm2", f"{shape.volume_cm3:.0f} cm3"
    figure.suptitle(
        f"{title}: skin {shown(skin, units)} ± {percent(known.area, 1)}, holds "
        f"{shown(holds, units)} ± {percent(known.volume, 1)}",
        color=INK,
        fontsize=11,
    )
    return figure


def _side(shape: Shape, axis: int, per_mm: float) -> PolyCollection:
    """Return the triangles seen along the other level axis."""
    return shaded(shape.points_mm * per_mm, shape.faces, np.eye(3)[axis], np.eye(3)[2])


def shaded(points: Array, faces: Index, across: Array, upright: Array) -> PolyCollection:
    """Return triangles drawn on the plane of two unit vectors, the farthest first, shaded by their
    slope. points (n, 3), faces (m, 3) outward, across and upright (3,)."""
    towards = np.cross(across, upright)
    corners = points[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1)
    facing = normal @ towards / np.maximum(length, 1e-12)
    order = np.argsort(corners.mean(axis=1) @ towards)
    flat = np.stack([corners[order] @ across, corners[order] @ upright], axis=-1)
    shade = 0.55 + 0.45 * np.abs(facing[order])
    # Seen from inside through the opening, the far wall is darker.
    shade = np.where(facing[order] < 0, 0.6 * shade, shade)
    base = np.array([int(COATS[0][i : i + 2], 16) / 255 for i in (1, 3, 5)])
    colours = np.clip(shade[:, None] * base, 0.0, 1.0)
    return PolyCollection(list(flat), facecolors=colours, edgecolors=colours, linewidths=0.3)
