"""Photographs of a run: JPEG files beside the record, each named in an event of its run."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

from evenwall.errors import InputError
from evenwall.history.recorded import Recorded
from evenwall.model.untrusted import read_bytes
from evenwall.run.events import Photographed

FOLDER = "photos"  # beside the record
MOST = 24  # photographs per run
MOST_BYTES = 4_000_000  # size of a kept photograph: 2000 pixels wide, encoded again


def photos_of(run: Recorded) -> list[Photographed]:
    """Return the run's photographs, oldest first. Raises InputError."""
    return [event for _, event in run.happened if isinstance(event, Photographed)]


def checked(folder: Path, photo: Photographed) -> Path:
    """Return the file of a photograph. Raises InputError if it is gone or was changed."""
    path = folder / photo.file
    if hashlib.sha256(read_bytes(path, MOST_BYTES)).hexdigest() != photo.sha256:
        raise InputError("photo", photo.file, "was changed after it was recorded")
    return path


def copy_photos(run: Recorded, source: Path, target: Path) -> list[Path]:
    """Copy the run's photographs from one folder to another, which is made if absent.

    Returns the copies. Raises InputError where one is gone, was changed or cannot be written.
    """
    photos = photos_of(run)
    copies = []
    try:
        for photo in photos:
            target.mkdir(parents=True, exist_ok=True)
            path = checked(source, photo)
            shutil.copyfile(path, target / photo.file)
            copies.append(target / photo.file)
    except OSError as error:
        raise InputError("photos", target, error.strerror or "cannot be written") from None
    return copies


def captioned(run: Recorded, folder: Path) -> list[tuple[str, str]]:
    """Return file and caption of each photograph, for a report; no file for one that is gone."""
    found = []
    for photo in photos_of(run):
        try:
            found.append((str(checked(folder, photo)), photo.caption))
        except InputError as error:
            found.append(("", f"{photo.caption}: {error}"))
    return found
