"""The record: an append-only journal in SQLite, written as events happen.

Events and samples share one sequence of ids, so that a broken stream resumes without a gap.
`Journal` is the file: it blocks and knows no event loop. `records.Records` runs it on a thread.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from evenwall.errors import InputError, RecordError
from evenwall.model import Event, Plan, Sample
from evenwall.records.rows import SAMPLE_COLUMNS, Batch, plan_of_record
from evenwall.records.trouble import (
    OF_DISK,
    SQLITE_ERRORS,
    Damaged,
    DiskRefuses,
    OfLaterRelease,
    said,
)
from evenwall_bridge.clock import Anchor

SCHEMA_VERSION = 1
UNREAD_TOLD = 20  # unreadable rows that are named
_SCHEMA = """
CREATE TABLE IF NOT EXISTS plans (
    run_id TEXT PRIMARY KEY, plan TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS events (
    event_id INTEGER PRIMARY KEY, run_id TEXT NOT NULL, at_s REAL NOT NULL, utc TEXT NOT NULL,
    kind TEXT NOT NULL, key TEXT UNIQUE, data TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS events_of_run ON events (run_id, event_id);
CREATE TABLE IF NOT EXISTS samples (
    sample_id INTEGER PRIMARY KEY, run_id TEXT NOT NULL, at_s REAL NOT NULL, coat INTEGER NOT NULL,
    coat_time_s REAL, probe_degC REAL, room_degC REAL, mould_degC REAL,
    major_rpm REAL, minor_rpm REAL, major_deg REAL, minor_deg REAL,
    gel_best_s REAL, gel_low_s REAL, gel_high_s REAL
);
CREATE INDEX IF NOT EXISTS samples_of_run ON samples (run_id, sample_id);
CREATE TABLE IF NOT EXISTS notes (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
"""
# A proven run is closed: no program changes or removes a row of it, not even by mistake.
_SCHEMA += "".join(
    f"CREATE TRIGGER IF NOT EXISTS {table}_closed_{act.lower()} BEFORE {act} ON {table} "
    "WHEN EXISTS (SELECT 1 FROM events WHERE run_id = OLD.run_id AND kind = 'proven') "
    "BEGIN SELECT RAISE(ABORT, 'the run is proven and closed'); END;\n"
    for table in ("plans", "events", "samples")
    for act in ("UPDATE", "DELETE")
)
_TABLES = (("plans", "run_id", 2), ("notes", "name", 2), ("events", "event_id", 7),
           ("samples", "sample_id", 15))  # fmt: skip
_SAMPLE_SQL = ", ".join(SAMPLE_COLUMNS)
_ENDED = ("finished", "abandoned")


def _parts(path: Path) -> Iterator[Path]:
    return (path.with_name(path.name + end) for end in ("", "-wal", "-shm"))


def _check_tables(db: sqlite3.Connection, path: Path | None) -> None:
    """Raise Damaged if a table or a column is missing: the file is another program's, or spoilt."""
    for table, _, columns in _TABLES:
        has = len(db.execute(f"PRAGMA table_info({table})").fetchall())
        if has != columns:
            raise Damaged(f"record {path}: table {table} has {has} columns instead of {columns}")


def _check_notes(db: sqlite3.Connection, path: Path | None) -> None:
    """Raise Damaged if the notes cannot all be read: the controller needs them to start."""
    ((found,),) = db.execute("PRAGMA integrity_check('notes')").fetchmany(1)
    if found != "ok":
        raise Damaged(f"record {path}: table notes: {found}")


class Journal:
    """Journal file. All methods block, and one thread at a time may call. Raises RecordError."""

    def __init__(self, path: Path | None) -> None:
        """Open the database file, or make it; without a path the record is in memory only."""
        self.path = path
        self.unread: dict[str, str] = {}  # rows that could not be read, and why
        self.db = self._connect()

    def _connect(self) -> sqlite3.Connection:
        for part in () if self.path is None else _parts(self.path):
            if not part.is_file() and part.exists():
                raise Damaged(f"record {part}: is a folder or a device")
        try:
            if self.path is not None:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            db = sqlite3.connect(
                self.path or ":memory:", check_same_thread=False, isolation_level=None, timeout=2.0
            )
        except SQLITE_ERRORS as error:
            raise said(error, f"record {self.path}: ") from None
        except OSError as error:
            kind = DiskRefuses if error.errno in OF_DISK else RecordError
            raise kind(f"record {self.path}: {error.strerror}") from None
        # A damaged text that is no longer UTF-8 is read as well as possible; its row is then
        # refused by name.
        db.text_factory = lambda raw: raw.decode("utf-8", "replace")
        try:
            # FULL: acknowledged rows survive a power cut, not only a killed process.
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA wal_autocheckpoint = 1000")
            (version,) = db.execute("PRAGMA user_version").fetchone()
            if version > SCHEMA_VERSION:
                raise OfLaterRelease(
                    f"record {self.path} is of version {version}, but this release reads only up "
                    f"to {SCHEMA_VERSION}: update Evenwall"
                )
            if version == 0:
                db.executescript(f"BEGIN;{_SCHEMA}PRAGMA user_version = {SCHEMA_VERSION};COMMIT;")
            _check_tables(db, self.path)
            _check_notes(db, self.path)
            db.execute("SELECT max(event_id) FROM events").fetchone()
            db.execute("SELECT max(sample_id) FROM samples").fetchone()
        except SQLITE_ERRORS as error:
            db.close()
            raise said(error, f"record {self.path}: ") from None
        except RecordError:
            db.close()
            raise
        return db

    def close(self) -> None:
        with contextlib.suppress(*SQLITE_ERRORS):
            self.db.close()

    def write(self, batch: Batch, anchor: Anchor | None = None) -> None:
        """Write all of the batch or nothing. Rows already there (a repeated try) are left alone."""
        try:
            self.db.execute("BEGIN IMMEDIATE")
            self.db.executemany("INSERT OR IGNORE INTO plans VALUES (?, ?)", batch.plans.items())
            self.db.executemany(
                "INSERT OR IGNORE INTO events VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    (e.event_id, e.run_id, e.at_s, e.utc, e.kind, key, json.dumps(e.data))
                    for e, key in batch.events
                ),
            )
            self.db.executemany(
                f"INSERT OR IGNORE INTO samples (run_id, {_SAMPLE_SQL}) "
                f"VALUES (?{', ?' * len(SAMPLE_COLUMNS)})",
                (
                    (run_id, *(getattr(sample, name) for name in SAMPLE_COLUMNS))
                    for run_id, sample in batch.samples
                ),
            )
            for name, value in batch.notes.items():
                self._note(name, value)
            if anchor is not None:
                self._note("anchor", anchor.to_json())
            self.db.execute("COMMIT")
        except SQLITE_ERRORS as error:
            with contextlib.suppress(*SQLITE_ERRORS):
                self.db.execute("ROLLBACK")
            raise said(error) from error

    def try_writing(self) -> None:
        """Raise RecordError if nothing can be written.

        SQLite opens a file on a disk that became read-only without an error. BEGIN IMMEDIATE then
        only begins to read.
        """
        try:
            self.db.execute("DELETE FROM notes WHERE name IS NULL")  # none: name is never null
        except SQLITE_ERRORS as error:
            raise said(error, f"record {self.path}: ") from None

    def take_in(self, copy: Path) -> None:
        """Take in every row of a copy of this file that was continued elsewhere, or none.

        Their ids are free here, because the copy continued our numbering. The copy's notes replace
        ours, because they are newer.
        """
        Journal(copy).close()  # checks that it is a record of our version
        try:
            self.db.execute("ATTACH ? AS beside", (str(copy),))
            try:
                self.db.execute("BEGIN IMMEDIATE")
                for table in ("plans", "events", "samples"):
                    self.db.execute(f"INSERT OR IGNORE INTO {table} SELECT * FROM beside.{table}")
                self.db.execute("INSERT OR REPLACE INTO notes SELECT * FROM beside.notes")
                self.db.execute("COMMIT")
            finally:
                with contextlib.suppress(*SQLITE_ERRORS):
                    self.db.execute("ROLLBACK")  # nothing to roll back once it is committed
                self.db.execute("DETACH beside")
        except SQLITE_ERRORS as error:
            raise said(error, f"record {self.path}: ") from None

    def _note(self, name: str, value: str) -> None:
        self.db.execute("INSERT OR REPLACE INTO notes VALUES (?, ?)", (name, value))

    def _read(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        try:
            return self.db.execute(sql, parameters).fetchall()
        except SQLITE_ERRORS as error:
            raise said(error, f"record {self.path}: ") from None

    def anchor(self) -> Anchor | None:
        """Return the rig's clock at the last batch written."""
        kept = self.note("anchor")
        try:
            return None if kept is None else Anchor.from_json(kept)
        except (ValueError, TypeError, RecursionError) as error:
            _not_read(self, "the note of the clock", error)
            return None

    def note(self, name: str) -> str | None:
        """Return the latest note kept under a name, such as the memory of a mould or a resin."""
        rows = self._read("SELECT value FROM notes WHERE name = ?", (name,))
        return rows[0][0] if rows else None

    def notes(self, prefix: str) -> dict[str, str]:
        """Notes whose names begin with this prefix."""
        rows = self._read(
            "SELECT name, value FROM notes WHERE substr(name, 1, ?) = ?", (len(prefix), prefix)
        )
        return dict(rows)

    def last_id(self) -> int:
        ((events, samples),) = self._read(
            "SELECT (SELECT max(event_id) FROM events), (SELECT max(sample_id) FROM samples)"
        )
        return max(events or 0, samples or 0)

    def run_ids(self) -> list[str]:
        """Ids of all runs, newest first."""
        rows = self._read("SELECT run_id FROM events WHERE kind = 'started' ORDER BY event_id DESC")
        return [row[0] for row in rows]

    def unfinished(self) -> str | None:
        """Id of the newest run, if it is neither finished nor abandoned."""
        newest = self.run_ids()[:1]
        if not newest:
            return None
        marks = ", ".join("?" * len(_ENDED))
        ended = self._read(
            f"SELECT 1 FROM events WHERE run_id = ? AND kind IN ({marks}) LIMIT 1",
            (newest[0], *_ENDED),
        )
        return None if ended else newest[0]

    def plan(self, run_id: str) -> Plan:
        """Return the plan of a run. Raises RecordError if it can no longer be read."""
        return plan_of_record(run_id, self.plan_json(run_id))

    def plan_json(self, run_id: str) -> str:
        """Return the plan's text as it was written, without migration."""
        rows = self._read("SELECT plan FROM plans WHERE run_id = ?", (run_id,))
        if not rows:
            raise InputError("run_id", run_id, "no such run in the record")
        return str(rows[0][0])

    def events(self, run_id: str | None, after_id: int = 0, limit: int = -1) -> list[Event]:
        """Events of one run, or of all (None), oldest first."""
        rows = self._read(
            "SELECT event_id, run_id, at_s, utc, kind, data FROM events "
            "WHERE event_id > ? AND (? IS NULL OR run_id = ?) ORDER BY event_id LIMIT ?",
            (after_id, run_id, run_id, limit),
        )
        return [event for event in (_event_of(self, row) for row in rows) if event is not None]

    def keyed_events(self, run_id: str) -> list[tuple[Event, str | None]]:
        """Events of one run with the keys of the commands that they answer, oldest first."""
        keys = dict(self._read("SELECT event_id, key FROM events WHERE run_id = ?", (run_id,)))
        return [(event, keys.get(event.event_id)) for event in self.events(run_id)]

    def event_of_key(self, key: str) -> Event | None:
        """Event that recorded the command with this key."""
        rows = self._read(
            "SELECT event_id, run_id, at_s, utc, kind, data FROM events WHERE key = ?", (key,)
        )
        if not rows:
            return None
        return _event_of(self, rows[0])

    def samples(
        self, run_id: str | None, after_id: int = 0, *, points: int = -1, limit: int = -1
    ) -> list[Sample]:
        """Samples, oldest first. points: thin evenly to about this many, and keep the newest."""
        every = 1
        if points > 0:
            ((count,),) = self._read(
                "SELECT count(*) FROM samples WHERE sample_id > ? AND (? IS NULL OR run_id = ?)",
                (after_id, run_id, run_id),
            )
            every = max(1, -(-count // points))
        rows = self._read(
            f"SELECT {_SAMPLE_SQL} FROM (SELECT *, row_number() OVER (ORDER BY sample_id DESC) "
            "AS place FROM samples WHERE sample_id > ? AND (? IS NULL OR run_id = ?)) "
            "WHERE (place - 1) % ? = 0 ORDER BY sample_id LIMIT ?",
            (after_id, run_id, run_id, every, limit),
        )
        return [sample for sample in (_sample_of(self, row) for row in rows) if sample is not None]


def newest_rows(journal: Journal) -> dict[str, int]:
    """Return every run, newest first, with the number of its newest event."""
    rows = journal._read(
        "SELECT run_id, max(event_id) AS newest, min(event_id) AS first FROM events "
        "GROUP BY run_id ORDER BY first DESC"
    )
    return {str(row[0]): int(row[1]) for row in rows}


def _not_read(journal: Journal, row: str, error: Exception) -> None:
    """Note the name of a row that is left out, and the reason."""
    if len(journal.unread) < UNREAD_TOLD:
        journal.unread[row] = str(error).splitlines()[0][:120] if str(error) else "empty"


def _event_of(journal: Journal, row: tuple[Any, ...]) -> Event | None:
    """Return the row's event. If it cannot be read, note its name and return None."""
    names = ("event_id", "run_id", "at_s", "utc", "kind")
    try:
        event = Event(**dict(zip(names, row[:5], strict=True)), data=json.loads(row[5]))
    except (ValueError, TypeError, RecursionError) as error:
        _not_read(journal, f"event {row[0]}", error)
        return None
    return event


def _sample_of(journal: Journal, row: tuple[Any, ...]) -> Sample | None:
    try:
        return Sample(**dict(zip(SAMPLE_COLUMNS, row, strict=True)))
    except ValueError as error:
        _not_read(journal, f"sample {row[0]}", error)
        return None


def salvage(journal: Journal, spoilt: Path) -> int:
    """Take in every readable row of a damaged file, and return their number.

    Each table is read from its beginning up to the damage, and from its end back to the damage.
    """
    taken = 0
    try:
        source = sqlite3.connect(f"file:{quote(str(spoilt))}?mode=ro", uri=True)
    except SQLITE_ERRORS:
        return 0
    with contextlib.closing(source):
        source.text_factory = lambda raw: raw.decode("utf-8", "replace")
        for table, key, columns in _TABLES:
            marks = ", ".join("?" * columns)
            for order in ("ASC", "DESC"):
                with contextlib.suppress(*SQLITE_ERRORS, OverflowError):
                    for row in source.execute(f"SELECT * FROM {table} ORDER BY {key} {order}"):
                        sql = f"INSERT OR IGNORE INTO {table} VALUES ({marks})"
                        taken += journal.db.execute(sql, row).rowcount
    return taken
