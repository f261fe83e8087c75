"""Heavy work on shapes and photographs, done in a separate process."""

from __future__ import annotations

import hashlib
import io
import os
from pathlib import Path
from typing import Any

import numpy as np

from evenwall.errors import InputError
from evenwall.geometry.pictures import open_picture
from evenwall.geometry.shapes.build import build
from evenwall.geometry.shapes.files import shape_table, write_mesh
from evenwall.geometry.shapes.measures import Measures, Mouth
from evenwall.geometry.shapes.outline import find_outline
from evenwall.geometry.shapes.shape import Shape
from evenwall.service.library import MouthCard, OutlineCard, ShapeCard, Side

SIDE_ROWS = 48  # rows of an outline that is drawn on a page
PHOTO_PX, PHOTO_QUALITY = 2000, 85  # the longer side of a run's photograph, and its JPEG quality


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
        mouth=None if made.mouth is None else _mouth(made.mouth),
    )


def _mouth(mouth: Mouth) -> MouthCard:
    height_mm = round(mouth.height_mm or 0.0, 1)
    return MouthCard(side=mouth.side, height_mm=height_mm, lean_deg=mouth.lean_deg)


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
    """Return the form's outline from the front (axis 0) or from its right side (axis 1).

    If the form was cut open, this is its outline before the cut. Each row spans the edges that
    cross its height.
    """
    points, faces = (shape.points_mm, shape.faces) if shape.whole is None else shape.whole
    a, b = (points[faces][:, corners, :].reshape(-1, 3) for corners in ([0, 1, 2], [1, 2, 0]))
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    heights = np.linspace(low, high, SIDE_ROWS + 2)
    heights[0], heights[-1] = low + 1e-6 * (high - low), high - 1e-6 * (high - low)
    rows = []
    for height in heights:
        crosses = (a[:, 2] - height) * (b[:, 2] - height) <= 0.0
        crosses &= a[:, 2] != b[:, 2]
        if not crosses.any():
            continue
        p, q = a[crosses], b[crosses]
        x = p[:, axis] + (height - p[:, 2]) / (q[:, 2] - p[:, 2]) * (q - p)[:, axis]
        rows.append((round(float(height), 1), round(float(x.min()), 1), round(float(x.max()), 1)))
    return Side(name=name, rows_mm=tuple(rows))


def photograph(source: Path, folder: Path) -> dict[str, Any]:
    """Write a smaller copy of a picture into a folder, without the phone's metadata.

    Returns file, sha256, width_px and height_px. The metadata hold place, time and the phone's
    name, so only the pixels are kept. Raises InputError.
    """
    picture = open_picture(source)
    picture.thumbnail((PHOTO_PX, PHOTO_PX))
    drawn = io.BytesIO()
    picture.save(drawn, format="JPEG", quality=PHOTO_QUALITY, optimize=True)
    digest = hashlib.sha256(drawn.getvalue()).hexdigest()
    name = f"{digest[:16]}.jpg"
    beside = folder / f".{name}.new"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as file:
            file.write(drawn.getvalue())
            file.flush()
            os.fsync(file.fileno())
        beside.replace(folder / name)
    except OSError as error:
        raise InputError("photo", name, error.strerror or "cannot be written") from None
    wide, high = picture.size
    return {"file": name, "sha256": digest, "width_px": wide, "height_px": high}
