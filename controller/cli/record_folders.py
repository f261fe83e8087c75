"""Records under a data folder: those of the rigs, and that of the demo beside them."""

from __future__ import annotations

from pathlib import Path

from evenwall.errors import InputError
from evenwall.records.journal import Journal
from evenwall.records.records import standing


def records_under(home: Path) -> dict[Path, list[Journal]]:
    """Return every record under this folder, by its own folder."""
    from evenwall.cli import application as app

    paths = (home / app.RECORD, *sorted(home.glob(f"*/{app.RECORD}")))
    found = {path.parent: standing(path) for path in paths}
    return {folder: record for folder, record in found.items() if record}


def journal_of(home: Path, run_id: str) -> tuple[Path, Journal]:
    """Return the folder and journal that hold this run. Raises InputError if none does."""
    for folder, record in records_under(home).items():
        for journal in record:
            if run_id in journal.run_ids():
                return folder, journal
    raise InputError("RUN", run_id, f"no such run under {home}", hint="see `evenwall runs`")
