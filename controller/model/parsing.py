"""Conversion of plain data into models; the first fault becomes one line."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from evenwall.errors import InputError
from evenwall.units import SHOWN

M = TypeVar("M", bound=BaseModel)


def _limit(error: dict[str, Any], unit: str) -> str:
    """Return the limit in words; its figure in `unit` where a reader may choose another one."""
    if error["type"] == "tuple_type":
        return "must be a list"
    ctx = error.get("ctx") or {}
    if error["type"] == "too_short" and "min_length" in ctx:
        return f"must be at least {ctx['min_length']} values"
    signs = {"gt": ">", "ge": ">=", "lt": "<", "le": "<="}
    of = f" {unit}" if unit in SHOWN["metric"] else ""
    bounds = [f"must be {sign} {ctx[key]}{of}" for key, sign in signs.items() if key in ctx]
    return " and ".join(bounds) or str(error["msg"]).lower().removeprefix("value error, ")


def unit_of(field: str) -> str:
    """Return the unit in a field's name ("wall_mm" -> "mm"), or an empty text."""
    for suffix, unit in _UNITS:
        if field.endswith(suffix):
            return unit
    return ""


_UNITS = (
    ("_mPa_s", "mPa s"),
    ("_g_cm3", "g/cm3"),
    ("_kg_m2", "kg m2"),
    ("_rpm_s", "rpm/s"),
    ("_b_per_100a", "g of B per 100 g of A"),
    ("_per_kg", "per kg"),
    ("_percent", "%"),
    ("_degC", "degC"),
    ("_rpm", "rpm"),
    ("_min", "min"),
    ("_deg", "deg"),
    ("_Nm", "N m"),
    ("_cm2", "cm2"),
    ("_cm3", "cm3"),
    ("_mm", "mm"),
    ("_kg", "kg"),
    ("_g", "g"),
    ("_s", "s"),
)


# Units of the columns of a field that holds rows of numbers.
_COLUMNS = {"viscosity": ("s", "Pa s")}


def _unit_at(place: tuple[int | str, ...]) -> str:
    """Return the unit of the value at a place such as ("coats", 0, "viscosity", 1, 1)."""
    names = [part for part in place if isinstance(part, str)]
    if not names:
        return ""
    column = place[-1]
    if isinstance(column, int) and names[-1] in _COLUMNS:
        units = _COLUMNS[names[-1]]
        return units[column] if column < len(units) else ""
    return unit_of(names[-1])


def parse(model: type[M], data: dict[str, Any], file: Path | str) -> M:
    """Validate plain data; the first fault becomes one InputError line."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        found = error.errors()
        first = found[0]
        path = ".".join(str(part) for part in first["loc"])
        leaf = str(first["loc"][-1]) if first["loc"] else ""
        if first["type"] == "missing":
            beside = [
                str(other["loc"][-1])
                for other in found
                if other["type"] == "extra_forbidden" and other["loc"][:-1] == first["loc"][:-1]
            ]
            hint = f"{beside[0]}, which is given there, is not a field" if beside else ""
            raise InputError(path, "missing", "is required", file=str(file), hint=hint) from None
        if first["type"] == "extra_forbidden":
            like = difflib.get_close_matches(leaf, _fields_beside(model, first["loc"]), 1)
            hint = f"did you mean {like[0]}?" if like else ""
            raise InputError(path, "unknown", "no such field", file=str(file), hint=hint) from None
        unit = _unit_at(first["loc"])
        if isinstance(first["input"], str) and first["type"].startswith(("float_", "int_")):
            limit = f"must be a number of {unit}, without quotes" if unit else "must be a number"
            shown = f'"{first["input"]}"'
            raise InputError(path or "file", shown, limit, file=str(file)) from None
        raise InputError(
            path or "file", first["input"], _limit(dict(first), unit), unit=unit, file=str(file)
        ) from None


def _fields_beside(model: type[BaseModel], place: tuple[int | str, ...]) -> tuple[str, ...]:
    """Return the fields of the table that contains `place`; none where it cannot be found."""
    for part in place[:-1]:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        kinds = () if field is None else (field.annotation, *get_args(field.annotation))
        tables = [k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)]
        if not tables:
            return ()
        model = tables[0]
    return tuple(model.model_fields)
