"""Data folders on a disk that refuses writes, or of a newer release: the controller starts."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.faults.folders import come_up, good_folder

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def folder() -> Iterator[Path]:
    """A copy that another user can reach: pytest's own folders are closed to others."""
    scratch = Path(tempfile.mkdtemp(prefix="evenwall-strange-"))
    scratch.chmod(0o755)
    shutil.copytree(good_folder(), scratch / "data")
    (scratch / "run").mkdir(mode=0o777)
    (scratch / "run").chmod(0o777)
    kept = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "evenwall"
    if kept.is_dir():  # another user may not read it; compiling the firmware again takes seconds
        shutil.copytree(kept, scratch / "run" / "evenwall")
    yield scratch / "data"
    shutil.rmtree(scratch)


def opened(folder: Path, uid: int, *how: str) -> str:
    run, good = str(folder.parent / "run"), str(good_folder())
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.stranger", str(folder), str(uid), good, *how],
        cwd=ROOT,
        env={
            **os.environ,
            "RUNTIME_DIRECTORY": run,
            "XDG_RUNTIME_DIR": run,
            "TMPDIR": run,
            "XDG_CACHE_HOME": run,
        },
        capture_output=True,
        text=True,
        timeout=200,
    )
    assert "Traceback" not in done.stderr, done.stderr[-3000:]
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout


def test_a_disk_that_takes_nothing_from_the_very_start(folder: Path) -> None:
    said = opened(folder, 0, "full")
    assert "as if nothing had happened" not in said
    with closing(sqlite3.connect(f"file:{folder}/record.sqlite?mode=ro", uri=True)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_an_empty_folder_on_a_disk_that_takes_nothing(folder: Path) -> None:
    shutil.rmtree(folder)
    folder.mkdir()
    assert opened(folder, 0, "full")


STRANGER = 12345


@pytest.mark.parametrize(
    ("name", "mode", "owner", "said"),
    [
        ("record.sqlite", 0o000, STRANGER, "The record cannot be written"),
        ("record.sqlite", 0o600, 0, "The record cannot be written"),
        ("panel/sessions.json", 0o000, STRANGER, ""),
        ("in-use", 0o600, 0, ""),  # somebody once started it as root
        (".", 0o555, STRANGER, "The record cannot be written"),
    ],
)
def test_another_owner_or_no_right_to_read(
    folder: Path, name: str, mode: int, owner: int, said: str
) -> None:
    """The folder is opened by a user without root's rights, who may do only what the modes
    allow."""
    if os.geteuid() != 0:
        pytest.skip("needs root, to be somebody else")
    for path in (folder, *folder.rglob("*")):
        os.chown(path, STRANGER, STRANGER)
    os.chown(folder / name, owner, owner)
    (folder / name).chmod(mode)
    assert said in opened(folder, STRANGER)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("panel/sessions.json", json.dumps({"version": 2, "sessions": []})),
        ("panel/sessions.json", json.dumps([{"session_id": "0" * 8, "name": "new", "keys": []}])),
        ("in-use", json.dumps({"version": 2, "pid": 1})),
    ],
)
def test_a_file_of_a_newer_release(folder: Path, name: str, content: str) -> None:
    (folder / name).write_text(content)
    come_up(folder)
    kept = list((folder / name).parent.glob(f"{Path(name).name}.damaged-*"))
    assert name == "in-use" or kept[0].read_text() == content


def test_rows_of_a_newer_release_are_left_out_and_the_coat_goes_on(folder: Path) -> None:
    with closing(sqlite3.connect(folder / "record.sqlite")) as db:
        run_id, at_s = db.execute("SELECT run_id, max(at_s) FROM events").fetchone()
        db.execute(
            "INSERT INTO events (event_id, run_id, at_s, utc, kind, data) "
            "SELECT max(event_id) + 1, ?, ?, max(utc), 'ultrasound_heard', '{\"mm\": 4.5}' "
            "FROM events",
            (run_id, at_s),
        )
        db.commit()
    come_up(folder)
    with closing(sqlite3.connect(folder / "record.sqlite")) as db:
        kinds = [kind for (kind,) in db.execute("SELECT kind FROM events")]
    assert kinds.count("ultrasound_heard") == 1  # kept for the release that knows it
