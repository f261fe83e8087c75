"""Writing of plain data as TOML, in the form that a person would write."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from evenwall.errors import InputError
from evenwall.model.untrusted import DEEPEST, depth


def toml_text(table: Mapping[str, Any]) -> str:
    """Return a table as TOML 1.0: plain values, then tables and lists of tables, without None.

    Raises InputError for values that TOML cannot hold, and for nesting beyond DEEPEST levels.
    """
    if depth(table, DEEPEST) > DEEPEST:
        raise InputError("nesting", "deeper", f"must be at most {DEEPEST} levels")
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
    if not isinstance(value, list | tuple):
        return False
    return bool(value) and all(isinstance(one, Mapping) for one in value)


def _key(key: str) -> str:
    bare = key.replace("-", "").replace("_", "").isalnum() and key.isascii()
    return key if bare else _value(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        if any("\ud800" <= letter <= "\udfff" for letter in value):
            raise InputError("value", ascii(value)[:80], "must be valid text in UTF-8")
        # A JSON string is a TOML basic string, except that TOML wants DEL escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        raise InputError("value", f"of {value.bit_length()} bits", "must have at most 64 bits")
    if isinstance(value, int | float):
        if not math.isfinite(value):
            raise InputError("value", value, "must be a finite number")
        return repr(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(one) for one in value)}]"
    if isinstance(value, Mapping):  # a table among plain values becomes an inline table
        shown = (f"{_key(k)} = {_value(v)}" for k, v in value.items() if v is not None)
        return f"{{{', '.join(shown)}}}"
    raise InputError("value", type(value).__name__, "cannot be written as TOML")
