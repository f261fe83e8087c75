"""What a shape is kept as: a mesh, a picture with its sizes, and a casting's text file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from controller.errors import InputError
from controller.geometry.shapes.build import Shape
from controller.geometry.shapes.measures import CastingWish

INK, RESIN, PAPER = "#17313a", "#e8b25c", "#f6f3ea"
ENDING = ".shape"  # globe.shape.toml holds the measurements of globe.toml and globe.ply


def stem_of(measures: Path) -> str:
    """The name that mesh, picture and casting get: that of the measurements without its endings."""
    return measures.name.removesuffix(measures.suffix).removesuffix(ENDING)


def toml_text(table: Mapping[str, Any]) -> str:
    """A table as TOML 1.0: plain values, then tables and lists of tables; None is left out."""
    return "".join(_lines(table, ())).lstrip("\n")


def _lines(table: Mapping[str, Any], path: tuple[str, ...]) -> Sequence[str]:
    found = []
    for key, value in table.items():
        if value is not None and not _is_table(value):
            found.append(f"{_key(key)} = {_value(value)}\n")
    for key, value in table.items():
        here = (*path, _key(key))
        if isinstance(value, Mapping):
            found.append(f"\n[{'.'.join(here)}]\n")
            found += _lines(value, here)
        elif _is_table(value):
            for one in value:
                found.append(f"\n[[{'.'.join(here)}]]\n")
                found += _lines(one, here)
    return found


def _is_table(value: object) -> bool:
    if isinstance(value, Mapping):
        return True
    return isinstance(value, list | tuple) and bool(value) and isinstance(value[0], Mapping)


def _key(key: str) -> str:
    bare = key.replace("-", "").replace("_", "").isalnum() and key.isascii()
    return key if bare else _value(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # A JSON string is a TOML basic string but for DEL, which TOML wants escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | float):
        if not np.isfinite(value):
            raise InputError("value", value, "must be a finite number")
        return repr(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(one) for one in value)}]"
    raise InputError("value", type(value).__name__, "cannot be written as TOML")


def casting_table(
    name: str, mesh: str, shape: Shape, wish: CastingWish, measures: str
) -> dict[str, Any]:
    """A casting file's table. mesh, measures: file names beside it."""
    return {
        "name": name,
        "mesh": mesh,
        "mesh_units": "mm",
        "resin": wish.resin,
        "wall_mm": wish.wall_mm,
        "shape": {
            "how": shape.how,
            "measures": measures,
            "area_error_percent": round(100.0 * shape.known.area, 2),
            "volume_error_percent": round(100.0 * shape.known.volume, 2),
        },
        "mould": {"wall_mm": wish.mould_wall_mm, "material": wish.mould_material},
        "shop": {"temp_degC": wish.shop_temp_degC},
    }


def write_mesh(shape: Shape, path: Path) -> None:
    """Write the mesh as .ply or .stl, in mm. Raises InputError where it cannot be written."""
    try:
        shape.mesh().export(path)
    except OSError as error:
        raise InputError("--out", path, error.strerror or str(error)) from None


def picture(shape: Shape, title: str) -> Figure:
    """The form from the front and from its right side, to scale, with its sizes in mm."""
    figure = Figure(figsize=(8, 4.6), layout="constrained", facecolor=PAPER)
    wide, deep, high = shape.size_mm()
    for k, (words, axis, across) in enumerate((("front", 0, wide), ("right side", 1, deep))):
        axes = figure.add_subplot(1, 2, k + 1)
        axes.add_collection(_side(shape, axis))
        axes.set_aspect("equal")
        axes.autoscale_view()
        axes.set_title(f"{words}: {across:.0f} mm wide, {high:.0f} mm high", color=INK, fontsize=10)
        axes.set_xlabel("mm")
        axes.set_facecolor(PAPER)
        for spine in axes.spines.values():
            spine.set_visible(False)
    known = shape.known
    figure.suptitle(
        f"{title}: skin {shape.area_cm2:.0f} cm2 +- {known.area:.1%}, holds "
        f"{shape.volume_cm3:.0f} cm3 +- {known.volume:.1%}".replace("+-", "±"),
        color=INK,
        fontsize=11,
    )
    return figure


def _side(shape: Shape, axis: int) -> PolyCollection:
    """The triangles seen along the other level axis, the farthest first, shaded by their slope."""
    points, faces = shape.points_mm, shape.faces
    towards = np.array([0.0, -1.0, 0.0]) if axis == 0 else np.array([1.0, 0.0, 0.0])
    corners = points[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1)
    facing = normal @ towards / np.maximum(length, 1e-12)
    order = np.argsort(corners.mean(axis=1) @ towards)
    flat = corners[:, :, [axis, 2]][order]
    shade = 0.55 + 0.45 * np.abs(facing[order])
    # Seen from inside through the opening, the far wall is darker.
    shade = np.where(facing[order] < 0, 0.6 * shade, shade)
    base = np.array([int(RESIN[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    colours = np.clip(shade[:, None] * base, 0.0, 1.0)
    return PolyCollection(list(flat), facecolors=colours, edgecolors=colours, linewidths=0.3)
