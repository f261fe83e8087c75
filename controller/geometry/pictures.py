"""Read uploaded photographs completely, within limits of bytes and pixels, or refuse them in words.

This module imports little, so that a process which only looks at a picture starts quickly.
"""

from __future__ import annotations

import io
import struct
import warnings
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from evenwall.errors import InputError

MOST_PIXELS = 60_000_000
MOST_BYTES = 30_000_000

_FEWER = f"must have at most {MOST_PIXELS / 1e6:.0f}"
# Raised by Pillow for damaged pictures and damaged notes about them.
_UNREADABLE = (
    OSError,
    ValueError,
    SyntaxError,
    ArithmeticError,
    LookupError,
    TypeError,
    struct.error,
)


def open_picture(path: Path) -> Image.Image:
    """Return a JPEG, PNG or WebP turned upright. Raises InputError."""
    if not path.is_file():
        raise InputError("file", path.name, "there is no such file beside the measurements")
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            limit = f"must be at most {MOST_BYTES / 1e6:.0f}"
            raise InputError("file", f"{size / 1e6:.0f}", limit, unit="MB")
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            warnings.simplefilter("ignore", UserWarning)  # of damaged notes about the picture
            file = io.BytesIO(path.read_bytes())
            picture = Image.open(file, formats=("JPEG", "PNG", "WEBP"))
            pixels = picture.width * picture.height
            if pixels > MOST_PIXELS:
                raise InputError("file", f"{pixels / 1e6:.0f}", _FEWER, unit="million pixels")
            picture.load()
            return ImageOps.exif_transpose(picture).convert("RGB")
    except UnidentifiedImageError:
        raise InputError("file", path.name, "must be a JPEG, PNG or WebP picture") from None
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise InputError("file", path.name, _FEWER, unit="million pixels") from None
    except _UNREADABLE as error:
        raise InputError("file", path.name, f"cannot be read: {error}") from None
