"""Reading of data from outside without trust in its size, its kind or its depth.

A path may name a device, a pipe or a folder; a document may be endless, nested a million deep or
hold a number of a million digits. Every function here returns a value or raises one InputError.
"""

from __future__ import annotations

import json
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from evenwall.errors import InputError

DOCUMENT_BYTES = 20_000_000  # a plan of 24 coats with its ramps is some 3 MB
TABLE_BYTES = 1_000_000  # a casting, resin or rig file is a few kB
DEEPEST = 40  # levels; a plan has 7


# A dotted name of a hundred thousand parts costs the reader minutes. The match starts at the name's
# start, so that the search itself is linear.
_LONG_NAME = re.compile(rf"""(?<![\w"'.-])(?:[\w"'-]++[ \t]*+\.[ \t]*+){{{DEEPEST}}}""")


def read_bytes(path: Path, most_bytes: int) -> bytes:
    """Return a regular file's content. Raises InputError for any other kind, and above the limit.

    The file is opened without waiting, so that a pipe without a writer does not block. The limit
    also holds for a file that grows, and for files whose size the system does not report.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        why = getattr(error, "strerror", None) or "cannot be read"
        raise InputError("file", path, why) from None
    found = os.fstat(handle)
    if not stat.S_ISREG(found.st_mode):
        os.close(handle)
        raise InputError("file", path, "is a folder or a device, and must be a file")
    with os.fdopen(handle, "rb") as file:
        try:
            content = file.read(most_bytes + 1)
        except OSError as error:
            raise InputError("file", path, error.strerror or "cannot be read") from None
    if len(content) > most_bytes:
        size = max(found.st_size, len(content))
        raise InputError(
            "file size", size, f"must be at most {most_bytes}", unit="B", file=str(path)
        )
    return content


def set_aside(path: Path) -> Path:
    """Rename a file, or a folder of that name, to a name that no code reads. Raises OSError."""
    number = 1
    while (kept := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    return path.rename(kept)


def read_text(path: Path, most_bytes: int, encoding: str = "utf-8") -> str:
    """Return a regular file's text. Raises InputError as `read_bytes`, and for text that is not
    UTF-8."""
    try:
        return read_bytes(path, most_bytes).decode(encoding)
    except UnicodeDecodeError as error:
        raise InputError("file", path, f"is not text in UTF-8: {error}") from None


def _no_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"{twice[:40]!r} is given twice")
    return found


def from_json(text: str | bytes, file: Path | str = "") -> Any:
    """Return the value of a JSON document (RFC 8259). Raises InputError, also for a name used twice
    in one object, a number of thousands of digits, and nesting beyond DEEPEST. Numbers that are not
    finite are left to the models, which name the field."""
    try:
        value = json.loads(text, object_pairs_hook=_no_twice)
    except (ValueError, RecursionError) as error:
        why = "is nested too deep" if isinstance(error, RecursionError) else f"is not JSON: {error}"
        raise InputError("file" if file else "document", file or "sent", why) from None
    if depth(value, DEEPEST) > DEEPEST:
        raise InputError("nesting", "deeper", f"must be at most {DEEPEST} levels", file=str(file))
    return value


def depth(value: Any, most: int) -> int:
    """Return the number of levels of lists and tables in a plain value; counting ends past
    `most`."""
    level, found = [value], 0
    while level and found <= most:
        level = [
            inner
            for outer in level
            for inner in (
                outer.values()
                if isinstance(outer, dict)
                else outer
                if isinstance(outer, list | tuple)
                else ()
            )
            if isinstance(inner, dict | list | tuple)
        ]
        found += 1
    return found


def read_json(path: Path) -> Any:
    """Return the value of a JSON file. Raises InputError."""
    return from_json(read_text(path, DOCUMENT_BYTES), path)


def read_table(path: Path) -> dict[str, Any]:
    """Return the table of a TOML file. Raises InputError when it cannot be read or is not TOML."""
    text = read_text(path, TABLE_BYTES, "utf-8-sig")  # some editors write a byte order mark first
    if _LONG_NAME.search(text):
        raise InputError("file", path, f"has a name of more than {DEEPEST} parts")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError("file", path, "is nested too deep") from None
    except ValueError as error:
        comma = re.search(r"^\s*\w+\s*=\s*\d+,\d+", text, re.MULTILINE)
        hint = f"{comma[0].strip()}: decimals are written with a point" if comma else ""
        raise InputError("file", path, f"is not TOML: {error}", hint=hint) from None
