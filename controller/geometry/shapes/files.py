"""The files of a shape: a mesh, and a casting's text file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from evenwall.errors import InputError
from evenwall.geometry.shapes.measures import CastingWish
from evenwall.geometry.shapes.shape import Shape

ENDING = ".shape"  # globe.shape.toml holds the measurements of globe.toml and globe.ply


def stem_of(measures: Path) -> str:
    """Return the name for mesh, picture and casting: the measurements' name without its endings."""
    return measures.name.removesuffix(measures.suffix).removesuffix(ENDING)


def casting_table(
    name: str, mesh: str, shape: Shape, wish: CastingWish, measures: str
) -> dict[str, Any]:
    """Return a casting file's table. mesh, measures: names of files beside it."""
    return {
        "name": name,
        "mesh": mesh,
        "mesh_units": "mm",
        "resin": wish.resin,
        "wall_mm": wish.wall_mm,
        "shape": shape_table(shape, measures),
        "mould": {"wall_mm": wish.mould_wall_mm, "material": wish.mould_material},
        "shop": {"temp_degC": wish.shop_temp_degC},
    }


def shape_table(shape: Shape, measures: str) -> dict[str, Any]:
    """Return the `[shape]` table of a casting's file. measures: the file of measurements."""
    return {
        "how": shape.how,
        "measures": measures,
        "area_error_percent": round(100.0 * shape.known.area, 2),
        "volume_error_percent": round(100.0 * shape.known.volume, 2),
    }


def write_mesh(shape: Shape, path: Path) -> None:
    """Write the mesh as .ply or .stl, in mm. Raises InputError when it cannot be written."""
    try:
        shape.mesh().export(path)
    except OSError as error:
        raise InputError("--out", path, error.strerror or str(error)) from None
