"""The library's heavy work, done in a process of its own: meshes, figures of shapes, outlines."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from evenwall.geometry.shapes.build import Shape, build
from evenwall.geometry.shapes.files import shape_table, write_mesh
from evenwall.geometry.shapes.measures import Measures
from evenwall.geometry.shapes.outline import find_outline, open_picture
from evenwall.service.library import OutlineCard, ShapeCard, Side

SIDE_ROWS = 48  # of an outline that is drawn on a page


def mesh(measures: Measures, folder: Path, path: Path) -> dict[str, Any]:
    """Write the shape's mesh; return its casting's `[shape]` table, without a file's name."""
    shape = build(measures, folder)
    write_mesh(shape, path)
    return shape_table(shape, "")


def card(measures: Measures, folder: Path) -> ShapeCard:
    """Return the figures of a shape."""
    made = build(measures, folder)
    wide, deep, high = (round(float(x), 1) for x in made.size_mm())
    return ShapeCard(
        how=made.how,
        size_mm=(wide, deep, high),
        area_cm2=round(made.area_cm2, 1),
        area_error_percent=round(100.0 * made.known.area, 2),
        volume_cm3=round(made.volume_cm3, 1),
        volume_error_percent=round(100.0 * made.known.volume, 2),
        notes=made.notes,
        sides=(_side(made, "front", 0), _side(made, "right side", 1)),
    )


def outline(path: Path) -> OutlineCard:
    """Return the outline of the form in a photograph."""
    corners = find_outline(path)
    picture = open_picture(path)
    return OutlineCard(
        file=path.name,
        width_px=picture.width,
        height_px=picture.height,
        outline_px=tuple((round(float(x), 1), round(float(y), 1)) for x, y in corners),
    )


def _side(shape: Shape, name: str, axis: int) -> Side:
    """The form's outline from the front (axis 0) or from its right side (axis 1)."""
    z, x = shape.points_mm[:, 2], shape.points_mm[:, axis]
    edges = np.linspace(z.min(), z.max(), SIDE_ROWS + 1)
    row = np.clip(np.searchsorted(edges, z, side="right") - 1, 0, SIDE_ROWS - 1)
    rows = []
    for k in np.unique(row):
        inside = x[row == k]
        height = 0.5 * (edges[k] + edges[k + 1])
        rows.append(
            (round(float(height), 1), round(float(inside.min()), 1), round(float(inside.max()), 1))
        )
    return Side(name=name, rows_mm=tuple(rows))
