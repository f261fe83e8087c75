"""Photographs whose headers claim more than they contain are refused in words, before memory is
used."""

from __future__ import annotations

import struct
import warnings
import zlib
from pathlib import Path

import pytest

from evenwall.errors import InputError
from evenwall.geometry.pictures import open_picture


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(wide: int, high: int, extra: bytes = b"") -> bytes:
    """A PNG (ISO/IEC 15948) with this size in its header, and hardly any pixels."""
    header = _chunk(b"IHDR", struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0))
    pixels = _chunk(b"IDAT", zlib.compress(bytes(400)))
    return b"\x89PNG\r\n\x1a\n" + header + extra + pixels + _chunk(b"IEND", b"")


WEBP = b"RIFF" + b"\xff" * 4 + b"WEBPVP8X\n\0\0\0\0\0\0\0" + b"\xff" * 6
NOTES = _chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(100_000_000), 9))


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (png(2**31 - 1, 2**31 - 1), "at most 60"),
        (png(30_000, 30_000), "at most 60"),
        (png(100_000_000, 1), "at most 60"),
        (png(10_000, 7_000), "at most 60"),
        (png(10, 10, NOTES), "cannot be read"),
        (png(0, 0), "picture"),
        (png(400, 400), "cannot be read"),
        (WEBP, "at most 60"),
        (b"", "picture"),
        (b"%!PS-Adobe-3.0 EPSF-3.0\n(/etc/passwd) run\n", "picture"),
        (b"<svg/>", "picture"),
    ],
    ids=range(11),
)
def test_a_picture_that_claims_more_than_it_holds_is_refused(
    content: bytes, why: str, tmp_path: Path
) -> None:
    path = tmp_path / "photo"
    path.write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(InputError, match=why) as told:
            open_picture(path)
    assert "\n" not in str(told.value)
