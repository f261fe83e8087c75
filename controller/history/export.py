"""Export and import of a run: CSV and Parquet with units in the names.

An exported run is a folder: `run.json` (kind, run and plan), `events` and `samples` as CSV or
Parquet, one row each, `photos`, and `datapackage.json`, which gives the meaning and unit of every
column. An empty cell means an unknown value. A run imported into another record keeps its name
and content, and its proof is still valid there.
"""

from __future__ import annotations

import bisect
import csv
import io
import json
import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from importlib import import_module
from pathlib import Path
from typing import Any, Literal

from evenwall.errors import EvenwallError, InputError, RecordError
from evenwall.history.dictionary import EVENTS, SAMPLES, UTC, Column, package
from evenwall.history.photos import FOLDER as PHOTOS
from evenwall.history.photos import copy_photos
from evenwall.history.recorded import Recorded
from evenwall.model import Event, Plan, Sample, parse
from evenwall.model.untrusted import from_json, read_bytes, read_json, read_text
from evenwall.records.journal import Journal
from evenwall.records.rows import Batch
from evenwall.run.events import Started
from evenwall.run.folding import UNFIT

Format = Literal["csv", "parquet"]
FORMATS: tuple[Format, ...] = ("csv", "parquet")
KIND, VERSION = "evenwall/run", 1
_LARGEST_FIELD = 2**26
_MOST_BYTES = 400_000_000  # largest table; a casting of one day has some 10 MB
_MOST_ROWS = 2_000_000
_LONGEST_S = 1e10  # three hundred years of a rig's clock
RUN_ID = re.compile(r"[A-Za-z0-9._:-]{1,120}")


class NoParquet(EvenwallError):
    """Error without the Parquet library, which is an extra."""

    def __init__(self) -> None:
        super().__init__("Parquet needs pyarrow: pip install 'evenwall[parquet]', or take csv")


def writable() -> tuple[Format, ...]:
    """Return the formats whose libraries are installed."""
    try:
        _pyarrow()
    except NoParquet:
        return ("csv",)
    return FORMATS


def export_run(
    run: Recorded,
    folder: Path,
    formats: Iterable[Format] = ("csv",),
    *,
    photos: Path | None = None,
) -> list[Path]:
    """Write a run into a folder, which is made if absent. Returns the files.

    photos: the folder of photographs beside the record. Raises InputError when the folder cannot
    be written or a photograph is gone, NoParquet, and RecordError for a proven run that was
    changed.
    """
    run.check()
    wanted = tuple(formats)
    tables = {"events": (EVENTS, _event_rows(run)), "samples": (SAMPLES, _sample_rows(run))}
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        about = folder / "run.json"
        about.write_text(
            json.dumps(
                {
                    "kind": KIND,
                    "version": VERSION,
                    "run_id": run.run_id,
                    "casting": run.plan.casting.name,
                    "simulated": run.state.simulated,
                    "proven_sha256": None if run.proof is None else run.proof.sha256,
                    "plan": json.loads(run.plan_json),
                },
                indent=1,
            ),
            encoding="utf-8",
        )
        described = folder / "datapackage.json"
        described.write_text(
            json.dumps(package(run.run_id, run.plan.casting.name, wanted), indent=1),
            encoding="utf-8",
        )
        written += [about, described]
        for name, (columns, rows) in tables.items():
            for kind in wanted:
                path = folder / f"{name}.{kind}"
                (_write_csv if kind == "csv" else _write_parquet)(path, columns, rows)
                written.append(path)
    except OSError as error:
        raise InputError("folder", folder, error.strerror or "cannot be written") from None
    if photos is not None:
        written += copy_photos(run, photos, folder / PHOTOS)
    return written


Rows = list[tuple[Any, ...]]


def _event_rows(run: Recorded) -> Rows:
    return [(e.at_s, e.utc, e.kind, json.dumps(e.data, sort_keys=True)) for e in run.events]


def _sample_rows(run: Recorded) -> Rows:
    """Return the rows of the samples; their UTC is that of the event before plus the time since."""
    fields = [column.field for column in SAMPLES]
    at = [event.at_s for event in run.events]
    rows: Rows = []
    for sample in run.samples:
        event = run.events[max(0, bisect.bisect_right(at, sample.at_s) - 1)]
        since = timedelta(seconds=sample.at_s - event.at_s)
        utc = (datetime.fromisoformat(event.utc) + since).isoformat()
        rows.append(tuple(utc if f == UTC.name else getattr(sample, f) for f in fields))
    return rows


def _write_csv(path: Path, columns: tuple[Column, ...], rows: Rows) -> None:
    """Write a CSV file (RFC 4180). Floats are written so that they read back the same."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([column.name for column in columns])
        writer.writerows(rows)


def _pyarrow() -> tuple[Any, Any]:
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ImportError:
        raise NoParquet from None


def _write_parquet(path: Path, columns: tuple[Column, ...], rows: Rows) -> None:
    """Write the table; each column's unit and meaning are metadata of its field."""
    arrow, parquet = _pyarrow()
    kinds = {"number": arrow.float64(), "integer": arrow.int64()}
    schema = arrow.schema(
        [
            arrow.field(
                column.name,
                kinds.get(column.kind, arrow.string()),
                metadata={"unit": column.unit, "description": column.meaning},
            )
            for column in columns
        ]
    )
    arrays = [
        arrow.array([row[place] for row in rows], schema.field(place).type)
        for place in range(len(columns))
    ]
    parquet.write_table(arrow.Table.from_arrays(arrays, schema=schema), path)


# --- Back in --------------------------------------------------------------------------------------


def read_export(folder: Path) -> Recorded:
    """Return an exported run. Raises an InputError that names the fault, RecordError when its proof
    is not valid, and NoParquet."""
    about_file = folder / "run.json"
    about = read_json(about_file)
    if not isinstance(about, dict) or about.get("kind") != KIND:
        raise InputError("kind", "missing", f"must be {KIND}", file=str(about_file))
    if about.get("version") != VERSION:
        raise InputError(
            "version", about.get("version"), f"must be {VERSION}", file=str(about_file)
        )
    run_id = about.get("run_id")
    if not isinstance(run_id, str) or not RUN_ID.fullmatch(run_id):
        limit = "must be 1 to 120 letters, digits and . _ : -"
        raise InputError("run_id", ascii(run_id)[:80], limit, file=str(about_file))
    parse(Plan, about.get("plan") or {}, about_file)
    events = [
        _event(row, run_id, number, folder) for number, row in enumerate(_read(folder, "events"), 1)
    ]
    samples = [
        parse(Sample, {**_as_recorded(row), "sample_id": number}, folder)
        for number, row in enumerate(_read(folder, "samples"), 1)
    ]
    if not events or events[0].kind != Started.kind:
        raise InputError("events", len(events), "must begin with started", file=str(folder))
    run = Recorded(run_id, json.dumps(about["plan"]), tuple(events), tuple(samples))
    _fits(run, folder)
    run.check()
    return run


def _fits(run: Recorded, folder: Path) -> None:
    """Raise InputError if a record could not keep the run and read it again."""
    for what, rows in (("events", run.events), ("samples", run.samples)):
        if any(not -_LONGEST_S <= row.at_s <= _LONGEST_S for row in rows):
            limit = f"must be within {_LONGEST_S:g}"
            raise InputError(f"{what} at_s", "beyond", limit, unit="s", file=str(folder))
    try:
        for event in run.events:
            json.dumps(event.data, allow_nan=False, ensure_ascii=False).encode()
        _ = run.state
    except UNFIT as error:
        why = f"cannot be carried through: {type(error).__name__} {ascii(error)[:120]}"
        raise InputError("events", run.run_id, why, file=str(folder)) from None


def _as_recorded(row: dict[str, Any]) -> dict[str, Any]:
    """Return the row with the record's own names, which exports of earlier releases already
    have."""
    fields = {column.name: column.field for column in SAMPLES}
    return {fields.get(name, name): v for name, v in row.items() if name != UTC.name}


def _event(row: dict[str, Any], run_id: str, number: int, folder: Path) -> Event:
    try:
        data = from_json(str(row.pop("data_json", "")))
    except InputError as error:
        raise InputError("data_json", f"event {number}", error.limit, file=str(folder)) from None
    return parse(Event, {**row, "event_id": number, "run_id": run_id, "data": data}, folder)


def _read(folder: Path, name: str) -> list[dict[str, Any]]:
    """Return the rows of the format that is there, without unknown values."""
    path = folder / f"{name}.csv"
    if path.is_file():
        return _csv_rows(path)
    path = folder / f"{name}.parquet"
    if not path.is_file():
        raise InputError("file", path.with_suffix(".csv"), "no such file")
    arrow, parquet = _pyarrow()
    try:
        file = parquet.ParquetFile(arrow.BufferReader(read_bytes(path, _MOST_BYTES)))
        if file.metadata.num_rows > _MOST_ROWS:
            limit = f"must be at most {_MOST_ROWS}"
            raise InputError("rows", file.metadata.num_rows, limit, file=str(path))
        rows = file.read().to_pylist()
    except arrow.ArrowException as error:
        raise InputError("file", path, f"is not Parquet: {error}") from None
    return [{k: v for k, v in row.items() if v is not None} for row in rows]


def _csv_rows(path: Path) -> list[dict[str, Any]]:
    """Return the rows of a CSV file, without the empty cells. Raises InputError."""
    csv.field_size_limit(_LARGEST_FIELD)  # a proof contains its whole spin
    found: list[dict[str, Any]] = []
    try:
        for row in csv.DictReader(io.StringIO(read_text(path, _MOST_BYTES), newline="")):
            if None in row:
                raise InputError("row", len(found) + 1, "has more cells than the first line")
            if len(found) >= _MOST_ROWS:
                raise InputError("rows", "more", f"must be at most {_MOST_ROWS}")
            found.append({name: cell for name, cell in row.items() if cell})
    except csv.Error as error:
        raise InputError("file", path, f"is not CSV: {error}") from None
    return found


def import_run(journal: Journal, run: Recorded) -> None:
    """Import a run read by `read_export` into a record that no other process has open. Raises
    InputError when it is there already or never ended, RecordError when a casting is under way
    there."""
    if run.run_id in journal.run_ids():
        raise InputError("run_id", run.run_id, "is in this record already")
    if not run.state.over:
        raise InputError("run_id", run.run_id, "never ended, and would be resumed here")
    under_way = journal.unfinished()
    if under_way is not None:
        raise RecordError(f"casting {under_way} is under way: finish or abandon it first")
    batch = Batch(plans={run.run_id: run.plan_json})
    next_id = journal.last_id() + 1
    rows: list[Event | Sample] = sorted((*run.events, *run.samples), key=lambda row: row.at_s)
    for row_id, row in enumerate(rows, next_id):
        if isinstance(row, Event):
            batch.events.append((row.model_copy(update={"event_id": row_id}), None))
        else:
            batch.samples.append((run.run_id, row.model_copy(update={"sample_id": row_id})))
    journal.write(batch)
