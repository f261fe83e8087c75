"""The record: an append-only journal in SQLite, written as things happen.

One sequence of ids runs through events and samples, so that a broken stream resumes without a gap.
Rows are given out at once and written in batches. While a disk is full they wait in bounded memory;
where it refuses for good the record goes on beside it (`evenwall.records.fallback_store`) and is
put back by the next process that finds the disk mended; the run goes on in any case. `Journal` is
the file and knows no event loop; `Records` puts it on a thread of its own so that a slow card never
makes the loop late.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import logging
import sqlite3
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

from pydantic import ValidationError

from evenwall.errors import InputError, RecordError
from evenwall.model import Event, Plan, Sample
from evenwall.records import fallback_store as beside
from evenwall_bridge.clock import Anchor

T = TypeVar("T")

SCHEMA_VERSION = 1
# Samples are written together, so that a card is not worn: each writing syncs it once and costs it
# four pages of 4 kB. An event is written at once, with the samples that wait. A power cut takes at
# most so much of the curve and nothing that was acknowledged.
SAMPLES_EVERY_S = 10.0
SAMPLES_WAITING = 20_000  # rows of a sleeping disk: five and a half hours at one a second
EVENTS_WAITING = 20_000
UNREAD_TOLD = 20  # rows that are named
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
SAMPLE_COLUMNS = tuple(Sample.model_fields)
_SAMPLE_SQL = ", ".join(SAMPLE_COLUMNS)
_ENDED = ("finished", "abandoned")
# Primary result codes (sqlite.org/rescode.html): the low byte of what an error carries.
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_REFUSAL = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN)
_OF_DISK = (errno.EROFS, errno.EIO, errno.ENOSPC, errno.EDQUOT)


class Damaged(RecordError):
    """The file is no record any more."""


class OfLaterRelease(RecordError):
    """The file is a record that a newer Evenwall has written."""


class DiskRefuses(RecordError):
    """The disk can be read at best, and will not come back by itself."""


class DiskFull(RecordError):
    """No room, until somebody makes some."""


_LASTING: tuple[type[RecordError], ...] = (Damaged, DiskRefuses)
log = logging.getLogger(__name__)


def _parts(path: Path) -> Iterator[Path]:
    return (path.with_name(path.name + end) for end in ("", "-wal", "-shm"))


def plan_of_record(run_id: str, text: str) -> Plan:
    """Return a plan as it was written. Raises RecordError.

    Migration of plans of earlier and later releases: a name that this release does not know is
    left out. Everything else is read as strictly as from the network.
    """
    try:
        try:
            return Plan.model_validate_json(text)
        except ValidationError as error:
            unknown = [one["loc"] for one in error.errors() if one["type"] == "extra_forbidden"]
            data = json.loads(text)
            for *way, name in unknown:
                holder = data
                for part in way:
                    holder = holder[part]
                del holder[name]
            return Plan.model_validate_json(json.dumps(data))
    except (ValueError, LookupError, TypeError, RecursionError) as error:
        why = str(error).splitlines()[0] if str(error) else "empty"
        if isinstance(error, ValidationError):
            first = error.errors()[0]
            why = f"{'.'.join(map(str, first['loc'])) or 'plan'}: {first['msg']}"[:200]
        raise RecordError(f"the plan of run {run_id} cannot be read: {why}") from None


def _said(error: sqlite3.Error, before: str = "") -> RecordError:
    """Turn SQLite's error into the kind of trouble that it is."""
    code = getattr(error, "sqlite_errorcode", 0)  # none on its own module's complaints
    primary, kind = code & 0xFF, RecordError
    if primary in _DAMAGE:
        kind = Damaged
    # A full disk has no room for the index of the log either; SQLite says that in another word.
    elif primary == sqlite3.SQLITE_FULL or code == sqlite3.SQLITE_IOERR_SHMSIZE:
        kind = DiskFull
    elif primary in _REFUSAL:
        kind = DiskRefuses
    return kind(f"{before}{error}")


@dataclass
class Batch:
    """Rows given out but not yet in the file, oldest first."""

    plans: dict[str, str] = field(default_factory=dict)
    events: deque[tuple[Event, str | None]] = field(default_factory=deque)
    samples: deque[tuple[str, Sample]] = field(default_factory=deque)
    notes: dict[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.plans or self.events or self.samples or self.notes)


class Journal:
    """The file. All methods block; one thread at a time. Raises RecordError."""

    def __init__(self, path: Path | None) -> None:
        """path: the database file, made when absent; None keeps the record in memory only."""
        self.path = path
        self.unread: dict[str, str] = {}  # rows that could not be read, and why
        self.db = self._connect()

    def _connect(self) -> sqlite3.Connection:
        for part in () if self.path is None else _parts(self.path):
            if not part.is_file() and part.exists():
                raise Damaged(f"record {part}: a folder or a device stands in its place")
        try:
            if self.path is not None:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            db = sqlite3.connect(
                self.path or ":memory:", check_same_thread=False, isolation_level=None, timeout=2.0
            )
        except sqlite3.Error as error:
            raise _said(error, f"record {self.path}: ") from None
        except OSError as error:
            kind = DiskRefuses if error.errno in _OF_DISK else RecordError
            raise kind(f"record {self.path}: {error.strerror}") from None
        # A text that is no UTF-8 any more is read as far as it goes, and then refused by name.
        db.text_factory = lambda raw: raw.decode("utf-8", "replace")
        try:
            # FULL: what was acknowledged survives a power cut, not only a killed process.
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA wal_autocheckpoint = 1000")
            (version,) = db.execute("PRAGMA user_version").fetchone()
            if version > SCHEMA_VERSION:
                raise OfLaterRelease(
                    f"record {self.path} is of version {version}, this release reads up to "
                    f"{SCHEMA_VERSION}: update Evenwall"
                )
            if version == 0:
                db.executescript(f"BEGIN;{_SCHEMA}PRAGMA user_version = {SCHEMA_VERSION};COMMIT;")
            db.execute("SELECT max(event_id) FROM events").fetchone()
            db.execute("SELECT max(sample_id) FROM samples").fetchone()
        except sqlite3.Error as error:
            db.close()
            raise _said(error, f"record {self.path}: ") from None
        except RecordError:
            db.close()
            raise
        return db

    def close(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self.db.close()

    def write(self, batch: Batch, anchor: Anchor | None = None) -> None:
        """All of the batch, or nothing. Rows already there (a repeated try) are left alone."""
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
        except sqlite3.Error as error:
            with contextlib.suppress(sqlite3.Error):
                self.db.execute("ROLLBACK")
            raise _said(error) from error

    def try_writing(self) -> None:
        """Raises RecordError where nothing can be written: SQLite opens a file on a disk that has
        gone read-only without a word, and makes of BEGIN IMMEDIATE a reader's there."""
        try:
            self.db.execute("DELETE FROM notes WHERE name IS NULL")  # none: a name is a key
        except sqlite3.Error as error:
            raise _said(error, f"record {self.path}: ") from None

    def take_in(self, copy: Path) -> None:
        """Every row of a copy of this file that went on elsewhere: all, or nothing. Their ids are
        free here, for the copy's went on from ours. Notes are the copy's: they are the newer."""
        Journal(copy).close()  # is it a record, and of our version
        try:
            self.db.execute("ATTACH ? AS beside", (str(copy),))
            try:
                self.db.execute("BEGIN IMMEDIATE")
                for table in ("plans", "events", "samples"):
                    self.db.execute(f"INSERT OR IGNORE INTO {table} SELECT * FROM beside.{table}")
                self.db.execute("INSERT OR REPLACE INTO notes SELECT * FROM beside.notes")
                self.db.execute("COMMIT")
            finally:
                with contextlib.suppress(sqlite3.Error):
                    self.db.execute("ROLLBACK")  # nothing to roll back once it is committed
                self.db.execute("DETACH beside")
        except sqlite3.Error as error:
            raise _said(error, f"record {self.path}: ") from None

    def _note(self, name: str, value: str) -> None:
        self.db.execute("INSERT OR REPLACE INTO notes VALUES (?, ?)", (name, value))

    def _read(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        try:
            return self.db.execute(sql, parameters).fetchall()
        except sqlite3.Error as error:
            raise _said(error, f"record {self.path}: ") from None

    def anchor(self) -> Anchor | None:
        """Return the rig's clock at the last batch written."""
        kept = self.note("anchor")
        try:
            return None if kept is None else Anchor.from_json(kept)
        except (ValueError, TypeError, RecursionError) as error:
            _not_read(self, "the note of the clock", error)
            return None

    def note(self, name: str) -> str | None:
        """Return the latest note kept under a name: the memory of a mould, of a resin."""
        rows = self._read("SELECT value FROM notes WHERE name = ?", (name,))
        return rows[0][0] if rows else None

    def notes(self, prefix: str) -> dict[str, str]:
        """Everything kept under names that begin so."""
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
        """Every run, newest first."""
        rows = self._read("SELECT run_id FROM events WHERE kind = 'started' ORDER BY event_id DESC")
        return [row[0] for row in rows]

    def unfinished(self) -> str | None:
        """The newest run, when it has neither finished nor been abandoned."""
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
        """Return the plan of a run. Raises RecordError where it cannot be read any more."""
        return plan_of_record(run_id, self.plan_json(run_id))

    def plan_json(self, run_id: str) -> str:
        """The plan as it was written, whatever a later release makes of it."""
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
        """Events of one run with the keys of the commands they answer, oldest first."""
        keys = dict(self._read("SELECT event_id, key FROM events WHERE run_id = ?", (run_id,)))
        return [(event, keys.get(event.event_id)) for event in self.events(run_id)]

    def event_of_key(self, key: str) -> Event | None:
        """The event that a command with this key became."""
        rows = self._read(
            "SELECT event_id, run_id, at_s, utc, kind, data FROM events WHERE key = ?", (key,)
        )
        if not rows:
            return None
        return _event_of(self, rows[0])

    def samples(
        self, run_id: str | None, after_id: int = 0, *, points: int = -1, limit: int = -1
    ) -> list[Sample]:
        """Samples oldest first. points: thin evenly to about this many, keeping the newest."""
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
    """Keep the name of a row that is left out, and the reason."""
    if len(journal.unread) < UNREAD_TOLD:
        journal.unread[row] = str(error).splitlines()[0][:120] if str(error) else "empty"


def _event_of(journal: Journal, row: tuple[Any, ...]) -> Event | None:
    """Return the row's event; None, and its name kept, where it cannot be read."""
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
    """Take in every row of a damaged file that can still be read, and return how many.

    Each table is read from its beginning and from its end until the damage.
    """
    taken = 0
    try:
        source = sqlite3.connect(f"file:{quote(str(spoilt))}?mode=ro", uri=True)
    except sqlite3.Error:
        return 0
    with contextlib.closing(source):
        source.text_factory = lambda raw: raw.decode("utf-8", "replace")
        for table, key, columns in _TABLES:
            marks = ", ".join("?" * columns)
            for order in ("ASC", "DESC"):
                with contextlib.suppress(sqlite3.Error, OverflowError):
                    for row in source.execute(f"SELECT * FROM {table} ORDER BY {key} {order}"):
                        sql = f"INSERT OR IGNORE INTO {table} VALUES ({marks})"
                        taken += journal.db.execute(sql, row).rowcount
    return taken


class Records:
    """The journal as the event loop sees it: rows are numbered at once, written soon.

    Everything here runs on the event loop's thread except the journal's own calls, which run one
    at a time on a thread (or in line, for a record in memory).
    """

    def __init__(self, where: Path | Journal | None) -> None:
        """Open, setting a damaged file aside and going on elsewhere where the disk refuses; None
        keeps the record in memory, a journal in memory goes on where another Records left it.
        Raises RecordError for a record of a later release, or one that another program holds."""
        self.trouble: str | None = None  # in words, while rows wait in memory
        self.moved: str | None = None  # in words: why the record goes on in another file, and where
        self.samples_dropped = 0
        self._leaves_for = _LASTING
        self._home = self._path = where if isinstance(where, Path) else None
        if isinstance(where, Journal):
            self.journal = where
        else:
            self.journal = Journal(None) if where is None else self._opened(where)
        last = self.journal.last_id()
        # Ids given out before a crash but never written are not given out again.
        self._next_id = last + 1 + (SAMPLES_WAITING + EVENTS_WAITING if last else 0)
        self._waiting = Batch()
        self._busy = asyncio.Lock()
        self._thread = None if self._path is None else ThreadPoolExecutor(1, "records")

    # --- writing ---------------------------------------------------------------------------------

    def _number(self) -> int:
        self._next_id += 1
        return self._next_id - 1

    def event(
        self,
        run_id: str,
        at_s: float,
        utc: str,
        kind: str,
        data: dict[str, Any],
        key: str | None = None,
    ) -> Event:
        """Number an event and queue it for writing."""
        event = Event(
            event_id=self._number(), run_id=run_id, at_s=at_s, utc=utc, kind=kind, data=data
        )
        self._waiting.events.append((event, key))
        while len(self._waiting.events) > EVENTS_WAITING:
            self._waiting.events.popleft()
        return event

    def plan(self, run_id: str, plan: Plan) -> None:
        self._waiting.plans[run_id] = plan.model_dump_json()

    def keep(self, name: str, value: str) -> None:
        """Keep this under a name, in the place of what was there: see `Journal.note`."""
        self._waiting.notes[name] = value

    def sample(self, run_id: str, values: dict[str, Any]) -> Sample:
        """Number a sample and queue it. When memory is full, every second waiting one goes."""
        sample = Sample.model_construct(sample_id=self._number(), **values)
        waiting = self._waiting.samples
        waiting.append((run_id, sample))
        if len(waiting) > SAMPLES_WAITING:
            kept = deque(row for place, row in enumerate(waiting) if place % 2)
            self.samples_dropped += len(waiting) - len(kept)
            self._waiting.samples = kept
        return sample

    def samples_due(self, now_s: float) -> bool:
        """Whether samples have waited for SAMPLES_EVERY_S, now_s on the clock of their at_s."""
        waiting = self._waiting.samples
        return bool(waiting) and now_s - waiting[0][1].at_s >= SAMPLES_EVERY_S

    async def flush(self, anchor: Anchor | None = None) -> bool:
        """Write what waits; True when all of it is on the disk. Never raises: see `trouble`."""
        async with self._busy:
            batch, self._waiting = self._waiting, Batch()
            if not batch and anchor is None:
                return True
            try:
                await self._on_thread(lambda: self._write(batch, anchor))
            except RecordError as error:
                self.trouble = f"The record cannot be written: {error}."
                self._put_back(batch)
                return False
            self.trouble = None
            return True

    def _put_back(self, batch: Batch) -> None:
        late = self._waiting
        batch.plans.update(late.plans)
        batch.notes.update(late.notes)
        batch.events.extend(late.events)
        batch.samples.extend(late.samples)
        self._waiting = batch

    def _write(self, batch: Batch, anchor: Anchor | None) -> None:
        try:
            self.journal.write(batch, anchor)
        except self._leaves_for as error:
            fresh = self._moved_on(error)
            if fresh is None:
                raise
            before, self.journal = self.journal, fresh
            before.close()
            self.journal.write(batch, anchor)

    def rewrite(self, plan: tuple[str, Plan], events: Iterable[tuple[Event, str | None]]) -> None:
        """After the record moved: the running casting goes into the other file whole."""
        self.plan(*plan)
        known = {event.event_id for event, _ in self._waiting.events}
        self._waiting.events.extendleft(
            reversed([(event, key) for event, key in events if event.event_id not in known])
        )

    # --- where it is written ---------------------------------------------------------------------

    def _opened(self, path: Path) -> Journal:
        try:
            journal = _writable(path)
        except (Damaged, OfLaterRelease, DiskRefuses, DiskFull) as error:
            journal = self._moved_on(error) or self._in_memory(error)
            if self._path != path:
                return journal
        for place in beside.copies(path):
            try:
                journal.take_in(place)
                beside.end(place)
            except (DiskRefuses, DiskFull) as error:
                journal.close()
                return self._moved_on(error) or self._in_memory(error)
            except (RecordError, OSError) as error:
                self.moved = f"What the record went on in could not be put back ({error}): {place}."
        return journal

    def _moved_on(self, reason: RecordError) -> Journal | None:
        """The file that the record goes on in; None where there is none but this."""
        if self._path is None:
            return None
        if isinstance(reason, Damaged | OfLaterRelease):
            with contextlib.suppress(RecordError):  # a disk that dies reads as damage at first
                return self._begin_new_file(self._path, reason)
        return self._go_beside(self._path, reason) if self._path == self._home else None

    def _begin_new_file(self, path: Path, reason: RecordError) -> Journal:
        """Move a damaged file out of the way, with its log, and begin a new one."""
        number = 1
        try:
            while path.with_name(f"{path.name}.damaged-{number}").exists():
                number += 1
            moved = path.with_name(f"{path.name}.damaged-{number}")
            for end in ("", "-wal", "-shm"):
                part = path.with_name(path.name + end)
                if part.exists():
                    part.rename(moved.with_name(moved.name + end))
        except OSError as error:
            raise RecordError(f"record {path}: {error.strerror}") from None
        journal = _writable(path)
        if isinstance(reason, OfLaterRelease):
            self.moved = (
                f"The record is of a later release; it was kept as {moved} and a new one begun."
            )
            return journal
        saved = salvage(journal, moved)
        self.moved = f"The record was damaged; it was kept as {moved} and a new one begun."
        if saved:
            self.moved += f" {saved} rows could still be read and stand in the new one."
        return journal

    def _go_beside(self, path: Path, reason: RecordError) -> Journal | None:
        for place in beside.places(path):
            journal = _copied(path, place)
            if journal is not None:
                self._path = place
                self.moved = (
                    f"The record cannot be written ({reason}): it goes on in {place}, and is put "
                    "back when Evenwall starts on a disk that takes it. Copy that folder elsewhere "
                    "before the power goes off."
                )
                return journal
        return None

    def _in_memory(self, reason: RecordError) -> Journal:
        """At the start there is nothing to wait for, and the frame may be turning."""
        self._path = None
        self.moved = (
            f"The record cannot be written ({reason}), nor anywhere else: it is kept in memory, "
            "and lost when Evenwall ends."
        )
        return Journal(None)

    # --- reading ---------------------------------------------------------------------------------

    async def _on_thread(self, work: Callable[[], T]) -> T:
        if self._thread is None:
            return work()
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    async def read(self, work: Callable[[Journal], T]) -> T:
        """Ask the journal, after what waits has been tried. Raises RecordError."""
        await self.flush()
        return await self._on_thread(lambda: work(self.journal))

    async def items(self, after_id: int, limit: int = 5000) -> list[Event | Sample]:
        """Events and samples of every run after an id, in order, from file and memory."""

        def work(journal: Journal) -> list[Event | Sample]:
            return [
                *journal.events(None, after_id, limit),
                *journal.samples(None, after_id, limit=limit),
            ]

        try:
            found = await self.read(work)
        except RecordError:
            found = []
        found += [event for event, _ in self._waiting.events if event.event_id > after_id]
        found += [sample for _, sample in self._waiting.samples if sample.sample_id > after_id]
        ordered = {row_id(row): row for row in found}
        return [ordered[i] for i in sorted(ordered)][:limit]

    async def close(self) -> None:
        """Raises RecordError when something was never written: it is lost with this process."""
        before = self.moved
        self._leaves_for = (*_LASTING, DiskFull)  # room that is made later is made too late
        written = await self.flush()
        if self.moved is not None and self.moved != before:
            log.warning(self.moved)  # no panel tells it any more
        await self._on_thread(self.journal.close)
        if self._thread is not None:
            self._thread.shutdown(wait=True)
        if not written:
            lost = len(self._waiting.events)
            raise RecordError(f"{self.trouble} The last {lost} events are lost.")


async def set_damage_aside(records: Records, reason: RecordError) -> bool:
    """Set aside a record whose damage showed only when it was read. False: it was no damage."""
    path = records._path
    if not isinstance(reason, Damaged) or path is None:
        return False
    records.journal.close()
    records.journal = await records._on_thread(lambda: records._begin_new_file(path, reason))
    return True


def row_id(row: Event | Sample) -> int:
    return row.event_id if isinstance(row, Event) else row.sample_id


def standing(path: Path) -> list[Journal]:
    """The record as it stands, to be read: what it goes on in beside its disk, then its own file.
    The first holds the newer rows, and the older ones too unless there was no room for them.
    Empty when there is none; raises RecordError when none of what is there can be read."""
    there = beside.copies(path)
    if there or path.exists():
        there.append(path)
    found, wrong = [], []
    for file in there:
        try:
            found.append(Journal(file))
        except RecordError as error:
            wrong.append(error)
    if wrong and not found:
        raise wrong[0]
    return found


def to_change(path: Path) -> Journal:
    """The record for a command that writes into it, no controller being there: what went on beside
    its disk is put back first, as a controller does. Raises RecordError."""
    return Records(path).journal if beside.copies(path) else Journal(path)


def _writable(path: Path) -> Journal:
    """Raises RecordError."""
    journal = Journal(path)
    try:
        journal.try_writing()
    except RecordError:
        journal.close()
        raise
    return journal


def _copied(path: Path, place: Path) -> Journal | None:
    """The copy that an earlier process made in this place; else a new one; else, where the old
    file cannot be read or is too large for the place, an empty record. None: nothing can be
    written there."""
    if beside.is_there(place):
        with contextlib.suppress(RecordError):
            return _writable(place)
        return None
    for parts in (beside.PARTS, ()):
        try:
            beside.begin(place, path, parts)
        except OSError:
            continue
        try:
            return _writable(place)
        except RecordError:
            with contextlib.suppress(OSError):
                beside.end(place)
    return None
