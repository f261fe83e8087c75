"""The files of a shape: a mesh, and a casting's text file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from evenwall.errors import InputError
from evenwall.geometry.shapes.build import Shape
from evenwall.geometry.shapes.measures import CastingWish

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
