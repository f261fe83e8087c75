#!/usr/bin/env python3
"""Back up and restore records and settings. Uses only the standard library; works while a casting
runs.

  backup.py save FILE.tar.gz
  backup.py restore FILE.tar.gz     stop the service first: systemctl stop evenwall

Databases are copied by SQLite's own online backup, so a copy is complete even while rows are being
written. A record that goes on in memory, because its disk refuses writes, is saved with those rows.
A restore checks everything first, and sets the replaced files aside.
"""

from __future__ import annotations

import argparse
import fcntl
import hashlib
import os
import shutil
import sqlite3
import sys
import tarfile
import tempfile
from pathlib import Path

FOLDERS = {"records": "/var/lib/evenwall", "settings": "/etc/evenwall"}
RUNTIME = "/run/evenwall"  # where controller/records/fallback_store.py lets a record go on
SIDE_FILES = ("-wal", "-shm", "-journal")


def is_database(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


def save(archive: Path, root: Path) -> int:
    """Save everything below both folders in one archive. Returns the number of files."""
    count = 0
    with tempfile.TemporaryDirectory(dir=archive.parent) as scratch:
        part = Path(scratch) / "backup.tar.gz"
        with tarfile.open(part, "w:gz") as tar:
            for name, folder in FOLDERS.items():
                base = root / folder.lstrip("/")
                for path in sorted(p for p in base.rglob("*") if p.is_file()):
                    if path.name.endswith(SIDE_FILES):
                        continue
                    copy = path
                    if is_database(path):
                        copy = Path(scratch) / "copy.sqlite"
                        copy.unlink(missing_ok=True)
                        newer = gone_on(root, f"{folder}/{path.relative_to(base)}")
                        if newer is None:
                            copy_database(path, copy)
                        else:
                            put_together(path, newer, copy)
                    tar.add(copy, f"{name}/{path.relative_to(base)}")
                    count += 1
        os.replace(part, archive)
    return count


def copy_database(source: Path, target: Path) -> None:
    reader = sqlite3.connect(f"file:{source}?mode=ro", uri=True)
    writer = sqlite3.connect(target)
    try:
        reader.backup(writer)
    finally:
        writer.close()
        reader.close()


def gone_on(root: Path, record: str) -> Path | None:
    """Return the file in which this record goes on, if there is one."""
    digest = hashlib.sha256(os.fsencode(record)).hexdigest()[:12]
    folder = root / RUNTIME.lstrip("/") / f"evenwall-record-{digest}"
    newer = folder / Path(record).name
    return newer if newer.is_file() and is_database(newer) else None


def put_together(record: Path, newer: Path, target: Path) -> None:
    """Assemble a record from its parts, including the older rows for which there was no room.
    SQLite cannot open a log on a disk that refuses writes; nobody writes there any more, so the
    parts are copied."""
    copy_database(newer, target)
    older = target.with_name("older.sqlite")
    for end in ("", "-wal"):
        part = record.with_name(record.name + end)
        part_copy = older.with_name(older.name + end)
        part_copy.unlink(missing_ok=True)
        if part.exists():
            shutil.copyfile(part, part_copy)
    database = sqlite3.connect(target)
    try:
        database.execute("ATTACH ? AS older", (str(older),))
        tables = database.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'")
        with database:
            for (table,) in tables.fetchall():
                database.execute(
                    f'INSERT OR IGNORE INTO main."{table}" SELECT * FROM older."{table}"'
                )
    finally:
        database.close()


def damage(path: Path) -> str:
    """Return SQLite's complaint about a database, or nothing."""
    database = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        (answer,) = database.execute("PRAGMA integrity_check").fetchone()
        return "" if answer == "ok" else answer
    except sqlite3.DatabaseError as error:
        return str(error)
    finally:
        database.close()


def restore(archive: Path, root: Path) -> int:
    """Check the whole archive, then swap the folders. Raises SystemExit with one line."""
    bases = {name: root / folder.lstrip("/") for name, folder in FOLDERS.items()}
    with tempfile.TemporaryDirectory(dir=bases["records"].parent) as scratch:
        count = unpack(archive, Path(scratch))
        for path in Path(scratch).rglob("*"):
            if path.is_file() and is_database(path) and (wrong := damage(path)):
                sys.exit(f"{archive}: {path.relative_to(scratch)} is damaged: {wrong}")
        for name, base in bases.items():
            fresh = Path(scratch) / name
            if not fresh.exists():
                continue
            aside = swap(fresh, base)
            if name == "records":  # earlier rows must not be merged into the restored record
                for copy in (root / RUNTIME.lstrip("/")).glob("evenwall-record-*"):
                    shutil.move(copy, aside / copy.name)
    return count


def unpack(archive: Path, scratch: Path) -> int:
    """Unpack the archive and return the number of its files. Raises SystemExit if a file does not
    belong there."""
    with tarfile.open(archive) as tar:
        members = tar.getmembers()
        for member in members:
            inside = Path(member.name)
            outside = inside.is_absolute() or ".." in inside.parts
            if not member.isfile() or outside or inside.parts[0] not in FOLDERS:
                sys.exit(f"{archive}: {member.name} does not belong in a backup")
            target = scratch / inside
            target.parent.mkdir(parents=True, exist_ok=True)
            content = tar.extractfile(member)
            if content is not None:
                target.write_bytes(content.read())
    return len(members)


def swap(fresh: Path, base: Path) -> Path:
    """Replace a folder by another and keep its owner; returns the new path of the old one."""
    aside = base.with_name(base.name + ".before-restore")
    shutil.rmtree(aside, ignore_errors=True)
    if base.exists():
        owner = base.stat()
        base.rename(aside)
        for path in (fresh, *fresh.rglob("*")):
            os.chown(path, owner.st_uid, owner.st_gid)
        fresh.chmod(owner.st_mode & 0o7777)
    shutil.move(fresh, base)
    return aside


def busy(root: Path) -> bool:
    """Return whether a controller uses the records: it locks `in-use` while it runs."""
    lock = root / FOLDERS["records"].lstrip("/") / "in-use"
    if not lock.exists():
        return False
    with lock.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return True
    return False


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("save", "restore"))
    parser.add_argument("archive", type=Path)
    parser.add_argument("--root", type=Path, default=Path("/"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.what == "save":
        count = save(asked.archive.absolute(), asked.root)
        print(f"{count} files saved to {asked.archive}")
        return
    if busy(asked.root):
        sys.exit("the controller is running: systemctl stop evenwall")
    count = restore(asked.archive.absolute(), asked.root)
    print(f"{count} files restored; the earlier files are kept beside them as *.before-restore")


if __name__ == "__main__":
    main()
