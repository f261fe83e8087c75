"""Fallback for a record whose own disk refuses it: a folder that is there again for the next
process, and a copy in it that is whole or not there at all."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

PARTS = ("", "-wal")  # of a database; what follows its name. The -shm is made anew from the -wal.


def _folders() -> list[Path]:
    """Best first. The service manager's RuntimeDirectory (systemd.exec(5)) and the login's
    XDG_RUNTIME_DIR lie in memory: a dead card does not take them along, and they outlive the
    process. A temporary folder may be private to the service, and then ends with it. A command in a
    login has not been told the service's folder, and looks where the unit file has it."""
    named = [
        os.environ.get("RUNTIME_DIRECTORY", "/run/evenwall"),
        os.environ.get("XDG_RUNTIME_DIR", ""),
    ]
    found = [Path(value.split(":")[0]) for value in named if value]
    with contextlib.suppress(FileNotFoundError):  # no temporary folder can be written
        found.append(Path(tempfile.gettempdir()))
    return found


def places(record: Path) -> list[Path]:
    """Files that a record may go on in, best first: the same ones for every process."""
    digest = hashlib.sha256(os.fsencode(record.absolute())).hexdigest()[:12]
    return [folder / f"evenwall-record-{digest}" / record.name for folder in _folders()]


def is_there(place: Path) -> bool:
    """Whether a copy of ours is in this place already: anybody may write a temporary folder."""
    try:
        return place.parent.lstat().st_uid == os.geteuid() and place.is_file()
    except OSError:
        return False


def copies(record: Path) -> list[Path]:
    """Path of the fallback in use; none: the record is in its own file."""
    return [place for place in places(record) if is_there(place)]


def begin(place: Path, record: Path, parts: Sequence[str] = PARTS) -> None:
    """Make the place's folder, with these parts of the record in it. Raises OSError, and leaves
    nothing then: a half copy would be taken for a whole one by the next process."""
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
    """Take the copy away. Raises OSError."""
    shutil.rmtree(place.parent)
