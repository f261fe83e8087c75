"""Casting, resin, rig and plan files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from evenwall.errors import InputError, naming
from evenwall.model.casting import Casting
from evenwall.model.checks import sound
from evenwall.model.parsing import parse
from evenwall.model.plan import Plan
from evenwall.model.resin import Resin, agreeing
from evenwall.model.rig import RigSpec
from evenwall.model.untrusted import read_json, read_table


def read_toml(path: Path) -> dict[str, Any]:
    """Read one TOML table. Raises InputError when it cannot be read or is not TOML."""
    return read_table(path)


def read_resin(path: Path) -> Resin:
    resin = parse(Resin, read_toml(path), path)
    with naming(path):
        agreeing(resin.sheet)
    return resin


def _is_file(path: Path) -> bool:
    """Return whether there is such a file, for names of any length and with any characters."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def read_casting(path: Path) -> Casting:
    """Read a casting file, with its resin, and make its mesh path absolute."""
    data = read_toml(path)
    for key in ("resin", "mesh"):
        if not isinstance(data.get(key), str):
            raise InputError(key, data.get(key, "missing"), "must be a file name", file=str(path))
        if not _is_file(path.parent / data[key]):
            raise InputError(key, data[key], "no such file", file=str(path))
    data["mesh"] = (path.parent / data["mesh"]).resolve()
    data["resin"] = read_resin(path.parent / data["resin"])
    return parse(Casting, data, path)


def read_rig(path: Path) -> RigSpec:
    return parse(RigSpec, read_toml(path), path)


def read_plan(path: Path) -> Plan:
    """Read a PLAN.json. Raises an InputError that names the first fault."""
    data = read_json(path)
    kind = data.get("kind", "missing") if isinstance(data, dict) else "missing"
    if kind != "evenwall/plan":
        raise InputError("kind", kind, "must be evenwall/plan", file=str(path))
    plan = parse(Plan, data, path)
    with naming(path):
        sound(plan)
    return plan
