"""The record: an append-only journal in SQLite, written as things happen.

One sequence of ids runs through events and samples, so that a broken stream resumes without a gap.
Rows are given out at once and written in batches; while the disk refuses, they wait in bounded
memory and the run goes on. `Journal` is the file and knows no event loop; `Records` puts it on a
thread of its own so that a slow card never makes the loop late.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import sqlite3
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from controller.errors import InputError, RecordError
from controller.model import Event, Plan, Sample
from firmware_bridge.clock import Anchor

T = TypeVar("T")

SCHEMA_VERSION = 1
SAMPLES_WAITING = 20_000  # rows of a sleeping disk: five and a half hours at one a second
EVENTS_WAITING = 20_000
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
SAMPLE_COLUMNS = tuple(Sample.model_fields)
_SAMPLE_SQL = ", ".join(SAMPLE_COLUMNS)
_ENDED = ("finished", "abandoned")


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
        self.db = self._connect()

    def _connect(self) -> sqlite3.Connection:
        try:
            if self.path is not None:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            db = sqlite3.connect(
                self.path or ":memory:", check_same_thread=False, isolation_level=None, timeout=2.0
            )
        except (sqlite3.Error, OSError) as error:
            raise RecordError(f"record {self.path}: {error}") from None
        try:
            # FULL: what was acknowledged survives a power cut, not only a killed process.
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA wal_autocheckpoint = 1000")
            (version,) = db.execute("PRAGMA user_version").fetchone()
            if version > SCHEMA_VERSION:
                raise RecordError(
                    f"record {self.path} is of version {version}, this release reads up to "
                    f"{SCHEMA_VERSION}: update Evenwall"
                )
            if version == 0:
                db.executescript(f"BEGIN;{_SCHEMA}PRAGMA user_version = {SCHEMA_VERSION};COMMIT;")
            db.execute("SELECT max(event_id) FROM events").fetchone()
            db.execute("SELECT max(sample_id) FROM samples").fetchone()
        except sqlite3.Error as error:
            db.close()
            raise RecordError(f"record {self.path}: {error}") from None
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
            raise RecordError(str(error)) from error

    def _note(self, name: str, value: str) -> None:
        self.db.execute("INSERT OR REPLACE INTO notes VALUES (?, ?)", (name, value))

    def _read(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        try:
            return self.db.execute(sql, parameters).fetchall()
        except sqlite3.Error as error:
            raise RecordError(f"record {self.path}: {error}") from None

    def anchor(self) -> Anchor | None:
        """Where the rig's clock stood when the last batch was written."""
        kept = self.note("anchor")
        return None if kept is None else Anchor.from_json(kept)

    def note(self, name: str) -> str | None:
        """What was last kept under a name: the memory of a mould, of a resin."""
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
        return Plan.model_validate_json(self.plan_json(run_id))

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
        return [
            Event(event_id=i, run_id=run, at_s=at, utc=utc, kind=kind, data=json.loads(data))
            for i, run, at, utc, kind, data in rows
        ]

    def keyed_events(self, run_id: str) -> list[tuple[Event, str | None]]:
        """Events of one run with the keys of the commands they answer, oldest first."""
        keys = dict(self._read("SELECT event_id, key FROM events WHERE run_id = ?", (run_id,)))
        return [(event, keys[event.event_id]) for event in self.events(run_id)]

    def event_of_key(self, key: str) -> Event | None:
        """The event that a command with this key became."""
        rows = self._read(
            "SELECT event_id, run_id, at_s, utc, kind, data FROM events WHERE key = ?", (key,)
        )
        if not rows:
            return None
        i, run, at, utc, kind, data = rows[0]
        return Event(event_id=i, run_id=run, at_s=at, utc=utc, kind=kind, data=json.loads(data))

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
        return [Sample(**dict(zip(SAMPLE_COLUMNS, row, strict=True))) for row in rows]


class Records:
    """The journal as the event loop sees it: rows are numbered at once, written soon.

    Everything here runs on the event loop's thread except the journal's own calls, which run one
    at a time on a thread (or in line, for a record in memory).
    """

    def __init__(self, where: Path | Journal | None) -> None:
        """Open, setting a damaged file aside; None keeps the record in memory, a journal in
        memory goes on where another Records left it. Raises RecordError when nothing can be
        opened there at all."""
        self.trouble: str | None = None  # in words, while rows wait in memory
        self.damaged: str | None = None  # a file that was set aside, for people
        self.samples_dropped = 0
        self._path = where if isinstance(where, Path) else None
        if isinstance(where, Journal):
            self.journal = where
        else:
            try:
                self.journal = Journal(where)
            except RecordError as error:
                if where is not None and _is_closed(error):
                    self.journal = self._go_beside(where, error)
                elif _is_damage(error):
                    self.journal = self._begin_new_file()
                else:
                    raise
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

    async def flush(self, anchor: Anchor | None = None) -> bool:
        """Write what waits; True when all of it is on the disk. Never raises: see `trouble`."""
        async with self._busy:
            batch, self._waiting = self._waiting, Batch()
            if not batch and anchor is None:
                return True
            try:
                await self._on_thread(lambda: self.journal.write(batch, anchor))
            except RecordError as error:
                self.trouble = f"The record cannot be written: {error}."
                self._put_back(batch)
                if _is_damage(error):
                    with contextlib.suppress(RecordError):
                        self.journal.close()
                        self.journal = await self._on_thread(self._begin_new_file)
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

    def rewrite(self, plan: tuple[str, Plan], events: Iterable[tuple[Event, str | None]]) -> None:
        """After a damaged file was set aside: the running casting goes into the new one whole."""
        self.plan(*plan)
        known = {event.event_id for event, _ in self._waiting.events}
        self._waiting.events.extendleft(
            reversed([(event, key) for event, key in events if event.event_id not in known])
        )

    def _begin_new_file(self) -> Journal:
        """Move a damaged file out of the way, with its log, and begin a new one."""
        if self._path is None:
            raise RecordError("the record in memory is damaged")
        name = self._path.name
        number = 1
        while self._path.with_name(f"{name}.damaged-{number}").exists():
            number += 1
        moved = self._path.with_name(f"{name}.damaged-{number}")
        try:
            for end in ("", "-wal", "-shm"):
                part = self._path.with_name(name + end)
                if part.exists():
                    part.rename(moved.with_name(moved.name + end))
        except OSError as error:
            raise RecordError(f"record {self._path}: {error}") from None
        self.damaged = f"The record was damaged; it was kept as {moved} and a new one begun."
        return Journal(self._path)

    def _go_beside(self, path: Path, reason: RecordError) -> Journal:
        """On a disk that lets itself be read only: a copy elsewhere, so that a casting goes on."""
        beside = Path(tempfile.mkdtemp(prefix="evenwall-record-")) / path.name
        for end in ("", "-wal"):
            part = path.with_name(path.name + end)
            if part.exists():
                shutil.copyfile(part, beside.with_name(beside.name + end))
        self._path = beside
        self.damaged = (
            f"The record cannot be written ({reason}): it goes on in {beside}; copy that back when "
            "the disk is mended."
        )
        return Journal(beside)

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
        written = await self.flush()
        await self._on_thread(self.journal.close)
        if self._thread is not None:
            self._thread.shutdown(wait=True)
        if not written:
            lost = len(self._waiting.events)
            raise RecordError(f"{self.trouble} The last {lost} events are lost.")


def row_id(row: Event | Sample) -> int:
    return row.event_id if isinstance(row, Event) else row.sample_id


def _is_closed(error: RecordError) -> bool:
    """Whether the disk, not the file, is what refuses."""
    text = str(error)
    return "readonly" in text or "Read-only" in text or "is full" in text


def _is_damage(error: RecordError) -> bool:
    cause = error.__cause__ or error
    text = str(cause)
    return "malformed" in text or "not a database" in text or "corrupt" in text
