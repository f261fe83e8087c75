"""Files that a phone sends in parts: after a broken connection, sending continues from there."""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from evenwall.errors import InputError

MESH_BYTES, PICTURE_BYTES = 64_000_000, 20_000_000
ALL_BYTES = 1_000_000_000  # of all uploads in one folder
PART_BYTES = 1_000_000  # of one request
MESHES = (".obj", ".ply", ".stl", ".3mf", ".glb")
PICTURES = (".jpg", ".jpeg", ".png", ".webp")
NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,60}(\.[a-z0-9_-]{1,20})?\.[a-z0-9]{2,4}")
PART = ".part"
STAMP = re.compile(r"[a-z0-9]{0,16}")


@dataclass(frozen=True)
class Upload:
    """Part of a file that has arrived: its bytes, and whether the file is complete."""

    name: str
    bytes: int
    whole: bool


# The first bytes of a picture: JPEG (ISO/IEC 10918-1 B.1.1), PNG (ISO/IEC 15948 5.2), and a RIFF
# with a WebP in it (RFC 9649, 2.4).
_BEGINNINGS = (
    (re.compile(rb"\xff\xd8\xff"), "image/jpeg"),
    (re.compile(rb"\x89PNG\r\n\x1a\n"), "image/png"),
    (re.compile(rb"RIFF.{4}WEBP", re.DOTALL), "image/webp"),
)
BEGINNING_bytes = 12


def kind_of(beginning: bytes) -> str | None:
    """Return the media type of a picture by its first bytes, whatever its name; None: no picture
    that a phone may send."""
    return next((kind for start, kind in _BEGINNINGS if start.match(beginning)), None)


def _as_it_is(path: Path, name: str) -> None:
    del path, name


class Uploads:
    """Uploads into one folder. A file appears under its name when its last byte is there."""

    def __init__(self, folder: Path, look: Callable[[Path, str], None] = _as_it_is) -> None:
        """Set up. look: checks a complete picture in a separate process before it appears under its
        name; raises InputError if it is not a picture."""
        self._folder, self._look = folder, look

    def path_of(self, name: str, kinds: tuple[str, ...] = (*MESHES, *PICTURES)) -> Path:
        """Return the path of this name. Raises InputError for other names."""
        if not NAME.fullmatch(name) or not name.endswith(kinds):
            raise InputError(
                "file",
                name[:80],
                f"must be small letters, digits, - and _, and end in {', '.join(kinds)}",
            )
        return self._folder / name

    def _part_of(self, path: Path, stamp: str) -> Path:
        """Return the path for a file's parts. Raises InputError for an invalid stamp."""
        if not STAMP.fullmatch(stamp):
            raise InputError("stamp", stamp[:40], "must be 0 to 16 small letters and digits")
        return path.with_name(f"{path.name}.{stamp}{PART}" if stamp else path.name + PART)

    def standing(self, name: str, stamp: str = "") -> Upload:
        """Return the part of the file that has arrived. stamp: see `take`."""
        path = self.path_of(name)
        part = self._part_of(path, stamp)
        if part.is_file():
            return Upload(name, part.stat().st_size, False)
        return Upload(name, path.stat().st_size if path.is_file() else 0, path.is_file())

    def take(self, name: str, offset: int, total: int, content: bytes, stamp: str = "") -> Upload:
        """Add a part that begins at `offset` of a file of `total` bytes.

        Offset 0 begins the file again; an earlier complete file stays until the last part is here.
        stamp: identifies the file's content, so that a phone with a reloaded page continues the
        same file and no other. Raises InputError, with field `offset` if earlier parts are missing.
        """
        path = self.path_of(name)
        most = MESH_BYTES if path.suffix in MESHES else PICTURE_BYTES
        if not 0 < total <= most:
            limit = f"must be 1 to {most} for a {path.suffix}"
            raise InputError("file size", total, limit, unit="B")
        if offset + len(content) > total:
            raise InputError("offset", offset + len(content), f"must be at most {total}", unit="B")
        part = self._part_of(path, stamp)
        here = part.stat().st_size if offset and part.is_file() else 0
        if offset != here:
            raise InputError(
                "offset", offset, f"must be {here}, the length received so far", unit="B"
            )
        if offset == 0:
            for other in self._folder.glob(f"{path.name}.*{PART}"):
                other.unlink(missing_ok=True)  # of an abandoned file with the same name
        self._room_for(len(content))
        with _plain(part) as file:
            file.truncate(offset)
            file.seek(offset)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if offset + len(content) < total:
            return Upload(name, offset + len(content), False)
        if path.suffix in PICTURES:
            self._check_picture(part, name)
        part.replace(path)
        return Upload(name, total, True)

    def _check_picture(self, part: Path, name: str) -> None:
        """Delete a file that is not a picture. Raises InputError."""
        try:
            with part.open("rb") as file:
                if kind_of(file.read(BEGINNING_bytes)) is None:
                    raise InputError("file", name, "must be a JPEG, PNG or WebP picture")
            self._look(part, name)
        except InputError:
            part.unlink(missing_ok=True)
            raise

    def _room_for(self, more: int) -> None:
        kinds = (*MESHES, *PICTURES, PART)
        used = sum(p.stat().st_size for p in self._folder.iterdir() if p.suffix in kinds)
        if used + more > ALL_BYTES:
            raise InputError(
                "folder",
                f"{used / 1e6:.0f}",
                f"may hold {ALL_BYTES / 1e6:.0f}",
                unit="MB",
                hint="delete scans and photographs that are no longer needed",
            )


def _plain(part: Path) -> BinaryIO:
    """Open a regular file for writing; make it if there is none.

    A link, a device or a pipe in its place is refused without blocking. Raises InputError, OSError.
    """
    how = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    try:
        handle = os.open(part, how, 0o640)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENXIO, errno.EISDIR):
            raise InputError(
                "file", part.name, "is already used by something that is not a file"
            ) from None
        raise
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise InputError("file", part.name, "is already used by something that is not a file")
    return os.fdopen(handle, "r+b")
