"""A look at an uploaded picture, done in a separate process before the picture is kept."""

from __future__ import annotations

from pathlib import Path

from evenwall.errors import InputError
from evenwall.geometry.pictures import open_picture


def looked_at(path: Path, name: str) -> tuple[int, int]:
    """Read every pixel; return width and height in pixels. Raises InputError.

    name: what the error calls the file.
    """
    try:
        return open_picture(path).size
    except InputError as error:
        value = name if error.value == path.name else error.value
        raise InputError("file", value, error.limit, unit=error.unit) from None
