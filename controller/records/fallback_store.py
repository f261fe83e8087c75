"""Fallback for a record whose own disk refuses it.

It is a folder that the next process finds again. The copy in it is complete or absent.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

PARTS = ("", "-wal")  # suffixes of a database's files. SQLite makes the -shm from the -wal.


def _folders() -> list[Path]:
    """Folders for a fallback, best first.

    The service manager's RuntimeDirectory (systemd.exec(5)) and the login's XDG_RUNTIME_DIR are in
    memory: they survive a dead card, and they outlive the process. A temporary folder may be
    private to the service, and then ends with it. A command in a login does not know the service's
    folder, so it looks at the path given in the unit file.
    """
    named = [
        os.environ.get("RUNTIME_DIRECTORY", "/run/evenwall"),
        os.environ.get("XDG_RUNTIME_DIR", ""),
    ]
    found = [Path(value.split(":")[0]) for value in named if value]
    with contextlib.suppress(FileNotFoundError):  # no writable temporary folder
        found.append(Path(tempfile.gettempdir()))
    return found


def places(record: Path) -> list[Path]:
    """Files in which a record may continue, best first: the same for every process."""
    digest = hashlib.sha256(os.fsencode(record.absolute())).hexdigest()[:12]
    return [folder / f"evenwall-record-{digest}" / record.name for folder in _folders()]


def is_there(place: Path) -> bool:
    """Whether our own copy is already in this place: anybody may write to a temporary folder."""
    try:
        return place.parent.lstat().st_uid == os.geteuid() and place.is_file()
    except OSError:
        return False


def copies(record: Path) -> list[Path]:
    """Paths of the fallback in use; empty if the record is in its own file."""
    return [place for place in places(record) if is_there(place)]


def begin(place: Path, record: Path, parts: Sequence[str] = PARTS) -> None:
    """Make the folder of this place, with these parts of the record in it.

    Raises OSError and then leaves nothing, because the next process would take an incomplete copy
    for a complete one.
    """
    scratch = Path(tempfile.mkdtemp(prefix=".evenwall-", dir=place.parents[1]))
    try:
        for end in parts:
            part = record.with_name(record.name + end)
            if part.exists():
                shutil.copyfile(part, scratch / part.name)
        scratch.rename(place.parent)
    except OSError:
        shutil.rmtree(scratch, ignore_errors=True)
        raise


def end(place: Path) -> None:
    """Remove the copy. Raises OSError."""
    shutil.rmtree(place.parent)
