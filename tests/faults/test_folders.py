"""A record always opens: the controller starts with any content of the data folder.

This test spoils a few, by seed; `make soak ARGS=folders` spoils two thousand folders.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.faults.folders import come_up, good_folder, trial

MANY = 40


@pytest.fixture(autouse=True)
def no_places_beside(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Let a record that moves go on in this test's own folder."""
    (tmp_path / "beside").mkdir()
    for name in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        monkeypatch.setenv(name, str(tmp_path / "beside"))


@pytest.mark.parametrize("part", range(4))
def test_a_spoilt_data_folder_opens(part: int, tmp_path: Path) -> None:
    for seed in range(part, MANY, 4):
        try:
            trial(random.Random(f"folder/{seed}"), tmp_path)
        except Exception as error:  # noqa: BLE001  the seed is what finds it again
            pytest.fail(f"seed {seed}: {type(error).__name__}: {error}")


@pytest.mark.parametrize(
    "spoil",
    [
        "DELETE FROM plans",
        "UPDATE plans SET run_id = 'another'",
        "UPDATE events SET run_id = '{}' WHERE kind = 'started'",
        "DELETE FROM events",
        "DELETE FROM events WHERE kind = 'started'",
        "UPDATE events SET at_s = -1e300",
        "UPDATE notes SET value = ''",
        "DROP TABLE samples",
        "DROP TABLE plans",
        "ALTER TABLE events DROP COLUMN utc",
        "ALTER TABLE notes ADD COLUMN more",
    ],
)
def test_a_record_without_one_of_its_parts_opens(spoil: str, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    shutil.copytree(good_folder(), folder)
    with closing(sqlite3.connect(folder / "record.sqlite")) as db:
        db.execute(spoil)
        db.commit()
    assert come_up(folder)
