"""Backup while a casting writes, its exact restoration, and the refusal of a spoilt archive."""

from __future__ import annotations

import fcntl
import io
import sqlite3
import subprocess
import sys
import tarfile
import threading
from pathlib import Path

import pytest

from evenwall.records import fallback_store as beside

BACKUP = Path(__file__).resolve().parents[2] / "hardware" / "install" / "backup.py"


def backup(root: Path, what: str, archive: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, BACKUP, what, archive, "--root", root], capture_output=True, text=True
    )


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = tmp_path / "root"
    (root / "var/lib/evenwall/castings").mkdir(parents=True)
    (root / "etc/evenwall").mkdir(parents=True)
    (root / "etc/evenwall/rig.toml").write_text('name = "Small frame"\n')
    (root / "var/lib/evenwall/castings/globe.toml").write_text("x")
    database = sqlite3.connect(root / "var/lib/evenwall/journal.sqlite")
    database.execute("PRAGMA journal_mode=WAL")
    database.execute("CREATE TABLE rows (id INTEGER PRIMARY KEY, twice INTEGER)")
    database.executemany("INSERT INTO rows VALUES (?, ?)", [(n, 2 * n) for n in range(1000)])
    database.commit()
    database.close()
    return root


def rows(root: Path) -> list[tuple[int, int]]:
    database = sqlite3.connect(root / "var/lib/evenwall/journal.sqlite")
    try:
        return database.execute("SELECT id, twice FROM rows ORDER BY id").fetchall()
    finally:
        database.close()


def test_round_trip_beside_a_writer(root: Path, tmp_path: Path) -> None:
    stop, busy = threading.Event(), threading.Event()

    def write() -> None:
        database = sqlite3.connect(root / "var/lib/evenwall/journal.sqlite", timeout=30)
        number = 1000
        while not stop.is_set():
            with database:
                for _ in range(10):  # ten rows or none
                    database.execute("INSERT INTO rows VALUES (?, ?)", (number, 2 * number))
                    number += 1
            if number >= 2000:
                busy.set()
        database.close()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert busy.wait(30)
        saved = backup(root, "save", tmp_path / "backup.tar.gz")
    finally:
        stop.set()
        writer.join()
    assert saved.returncode == 0, saved.stderr
    assert saved.stdout.startswith("3 files saved")

    (root / "etc/evenwall/rig.toml").write_text("spoilt")
    (root / "var/lib/evenwall/castings/globe.toml").unlink()
    restored = backup(root, "restore", tmp_path / "backup.tar.gz")
    assert restored.returncode == 0, restored.stderr
    assert (root / "etc/evenwall/rig.toml").read_text() == 'name = "Small frame"\n'
    assert (root / "var/lib/evenwall/castings/globe.toml").exists()
    found = rows(root)
    assert len(found) >= 2000  # all that was written when saving began
    assert len(found) % 10 == 0  # no transaction was cut in two
    assert found == [(n, 2 * n) for n in range(len(found))]
    assert (root / "etc/evenwall.before-restore/rig.toml").read_text() == "spoilt"


def went_on(root: Path, journal: Path) -> Path:
    """The journal's file in memory, where the service's own program would look for it."""
    home = Path("/var/lib/evenwall") / journal.name
    (place,) = (p for p in beside.places(home) if p.parts[:3] == ("/", "run", "evenwall"))
    return root / place.relative_to("/")


@pytest.mark.parametrize("parts", [beside.PARTS, ()], ids=["whole", "without room for the old"])
def test_a_record_that_went_on_in_memory_is_saved_whole_and_not_mixed_into_a_restored_one(
    root: Path, tmp_path: Path, parts: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    journal = root / "var/lib/evenwall/journal.sqlite"
    place = went_on(root, journal)
    place.parents[1].mkdir(parents=True)
    beside.begin(place, journal, parts)
    database = sqlite3.connect(place)
    database.execute("CREATE TABLE IF NOT EXISTS rows (id INTEGER PRIMARY KEY, twice INTEGER)")
    database.execute("INSERT INTO rows VALUES (1000, 2000)")
    database.commit()
    database.close()
    journal.with_name("journal.sqlite-shm").symlink_to("nowhere")  # SQLite cannot open it
    saved = backup(root, "save", tmp_path / "backup.tar.gz")
    assert saved.returncode == 0, saved.stderr
    restored = backup(root, "restore", tmp_path / "backup.tar.gz")
    assert restored.returncode == 0, restored.stderr
    assert rows(root) == [(n, 2 * n) for n in range(1001)]
    assert not place.exists()
    aside = root / "var/lib/evenwall.before-restore" / place.parent.name
    assert (aside / place.name).exists()


def test_a_damaged_database_is_not_restored(root: Path, tmp_path: Path) -> None:
    archive = tmp_path / "backup.tar.gz"
    backup(root, "save", archive)
    with tarfile.open(archive) as tar:
        content = {m.name: bytearray(tar.extractfile(m).read()) for m in tar}  # type: ignore[union-attr]
    content["records/journal.sqlite"][4096:8192] = b"\x55" * 4096
    with tarfile.open(archive, "w:gz") as tar:
        for name, data in content.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            tar.addfile(member, io.BytesIO(data))
    before = rows(root)
    answer = backup(root, "restore", archive)
    assert answer.returncode == 1
    assert "records/journal.sqlite is damaged" in answer.stderr
    assert rows(root) == before


@pytest.mark.parametrize("name", ["../etc/passwd", "/etc/passwd", "elsewhere/file"])
def test_an_archive_cannot_write_elsewhere(root: Path, tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("x")
    archive = tmp_path / "bad.tar.gz"
    with tarfile.open(archive, "w:gz") as tar:
        member = tar.gettarinfo(tmp_path / "file", "x")
        member.name = name
        with (tmp_path / "file").open("rb") as content:
            tar.addfile(member, content)
    answer = backup(root, "restore", archive)
    assert "does not belong in a backup" in answer.stderr
    assert len(rows(root)) == 1000


def test_a_running_controller_is_not_restored_under(root: Path, tmp_path: Path) -> None:
    archive = tmp_path / "backup.tar.gz"
    backup(root, "save", archive)
    with (root / "var/lib/evenwall/in-use").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # as evenwall.cli.application.only_one does
        answer = backup(root, "restore", archive)
    assert (answer.returncode, "systemctl stop" in answer.stderr) == (1, True)
