"""Lessons of a record for a plan made on the command line."""

from __future__ import annotations

from pathlib import Path

from evenwall.cli.record_folders import records_under
from evenwall.history.lessons import taught_by, unread_of
from evenwall.history.measured import read_all
from evenwall.model import Casting
from evenwall.planning import Taught
from evenwall.planning.measured_wall import read_wall


def taught_for(home: Path, casting: Casting) -> Taught | None:
    """Return what the proven castings of this mould have taught, from the record under this folder
    that holds most of them; None without any.

    Walls that the controller has not read yet are read here, some seconds each; the record itself
    is left as it is. Raises RecordError, InputError.
    """
    found = Taught()
    for record in records_under(home).values():
        for journal in record:
            fresh = read_all(unread_of(journal, casting), read_wall)
            taught = taught_by(journal, casting.mesh, casting.resin, fresh)
            if taught.castings > found.castings:
                found = taught
    return found if found.castings else None
