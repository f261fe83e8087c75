"""A run is exported from one record and imported into another: nothing is lost, names have units,
the proof is valid."""

from __future__ import annotations

import csv
import json
import re
from datetime import datetime
from pathlib import Path

import pytest

from evenwall.cli.runs import export_runs, import_runs, show_run
from evenwall.errors import InputError, RecordError
from evenwall.history import dictionary, export
from evenwall.history.recorded import Recorded
from evenwall.model import Sample, unit_of
from evenwall.records.journal import Journal

PLAIN = {"utc", "kind", "data_json", "coat"}  # columns that measure nothing


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_run_goes_whole_into_another_record(
    a_proven_record: tuple[Path, str], tmp_path: Path, kind: export.Format
) -> None:
    path, run_id = a_proven_record
    journal = Journal(path)
    export_runs(journal, run_id, tmp_path / "out", [kind])
    here = Recorded.read(journal, run_id)
    shown = show_run(journal, run_id)
    journal.close()
    elsewhere = Journal(tmp_path / "elsewhere.sqlite")
    told = import_runs(elsewhere, tmp_path / "out")
    assert "proof holds" in told.text
    there = Recorded.read(elsewhere, run_id)
    assert there.sha256() == here.sha256()
    there.check()
    assert show_run(elsewhere, run_id) == shown
    assert elsewhere.unfinished() is None
    with pytest.raises(InputError, match="in this record already"):
        import_runs(elsewhere, tmp_path / "out")
    elsewhere.close()


def test_columns_carry_units_and_read_back_as_numbers(
    a_record: tuple[Path, str], tmp_path: Path
) -> None:
    """RFC 4180 files; every measured column's name ends in its unit; 17 digits are kept."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    export.export_run(run, tmp_path, ["csv"])
    with (tmp_path / "samples.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(run.samples)
    assert all(unit_of(name) for name in rows[0] if name not in PLAIN)
    for row, sample in zip(rows, run.samples, strict=True):
        assert row["probe_degC"] == ("" if sample.probe_degC is None else repr(sample.probe_degC))
        assert float(row["at_s"]) == sample.at_s


def test_every_column_has_its_meaning_and_unit(a_record: tuple[Path, str], tmp_path: Path) -> None:
    """Data Package 2.0 and Table Schema 2.0 (datapackage.org): what the standard requires of names,
    and that the fields are the columns in their order."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    export.export_run(run, tmp_path, ["csv"])
    package = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))
    assert re.fullmatch(r"[-a-z0-9._/]+", package["name"])
    for resource in package["resources"]:
        with (tmp_path / resource["path"]).open(newline="", encoding="utf-8") as file:
            columns = next(csv.reader(file))
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == columns
        for field in fields:
            assert field["description"].endswith(".")
            assert field.get("unit", "") == unit_of(field["name"])
    kept = {column.field for column in dictionary.SAMPLES} - {"utc"}
    assert kept == set(Sample.model_fields) - {"sample_id"}


def test_samples_tell_utc_and_the_time_since_mixing(
    a_record: tuple[Path, str], tmp_path: Path
) -> None:
    """The record times samples by the rig's clock alone; its events give the corresponding UTC."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    export.export_run(run, tmp_path, ["csv"])
    with (tmp_path / "samples.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    parts_met = [event for event in run.events if event.kind == "parts_met"]
    met = dict(enumerate(parts_met, 1))
    told = [row for row in rows if row["time_s"]]
    assert told
    for row in told:
        event = met[int(row["coat"])]
        since_s = float(row["at_s"]) - event.at_s
        assert float(row["time_s"]) == pytest.approx(since_s, abs=0.06)  # the clock's own rounding
        utc = datetime.fromisoformat(row["utc"]) - datetime.fromisoformat(event.utc)
        # The record of a simulated run tells UTC in real time: its speed is all that may differ.
        assert utc.total_seconds() >= 0.0


def test_exports_of_before_are_still_read(
    a_proven_record: tuple[Path, str], tmp_path: Path
) -> None:
    """Earlier releases wrote `coat_time_s` and no UTC beside the samples."""
    journal = Journal(a_proven_record[0])
    export_runs(journal, a_proven_record[1], tmp_path, ["csv"])
    journal.close()
    new = export.read_export(tmp_path)
    file = tmp_path / "samples.csv"
    with file.open(newline="", encoding="utf-8") as opened:
        rows = list(csv.DictReader(opened))
    with file.open("w", newline="", encoding="utf-8") as opened:
        names = [name.replace("time_s", "coat_time_s") for name in rows[0] if name != "utc"]
        writer = csv.writer(opened)
        writer.writerow(names)
        writer.writerows([v for name, v in row.items() if name != "utc"] for row in rows)
    (tmp_path / "datapackage.json").unlink()
    assert export.read_export(tmp_path) == new


def test_parquet_is_read_by_any_reader(a_record: tuple[Path, str], tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    assert export.writable() == export.FORMATS
    export.export_run(run, tmp_path, ["parquet"])
    table = parquet.read_table(tmp_path / "samples.parquet")
    assert table.num_rows == len(run.samples)
    assert str(table.schema.field("major_rpm").type) == "double"
    assert str(table.schema.field("coat").type) == "int64"
    told = table.schema.field("probe_degC").metadata
    assert told[b"unit"] == b"degC"
    assert b"witness cup" in told[b"description"]


def test_without_the_library_parquet_says_what_to_do(
    a_record: tuple[Path, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(name: str) -> object:
        raise ModuleNotFoundError(name)

    monkeypatch.setattr(export, "import_module", gone)
    journal = Journal(a_record[0])
    assert export.writable() == ("csv",)
    with pytest.raises(export.NoParquet, match=r"evenwall\[parquet\]"):
        export_runs(journal, a_record[1], tmp_path, ["parquet"])
    journal.close()


def test_a_changed_export_is_refused(a_proven_record: tuple[Path, str], tmp_path: Path) -> None:
    journal = Journal(a_proven_record[0])
    export_runs(journal, a_proven_record[1], tmp_path, ["csv"])
    journal.close()
    samples = tmp_path / "samples.csv"
    lines = samples.read_text(encoding="utf-8").splitlines()
    samples.write_text("\n".join(lines[:-1]) + "\n", encoding="utf-8")
    with pytest.raises(RecordError, match="changed after it was proven"):
        export.read_export(tmp_path)


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        (lambda f: (f / "run.json").unlink(), "No such file"),
        (lambda f: (f / "run.json").write_text("{"), "not JSON"),
        (lambda f: (f / "run.json").write_text("{}"), "must be evenwall/run"),
        (lambda f: (f / "events.csv").unlink(), "no such file"),
        (lambda f: (f / "events.csv").write_text("at_s,utc,kind,data_json\n"), "begin with"),
        (lambda f: (f / "samples.csv").write_text("at_s,coat\nx,1\n"), 'at_s is "x"'),
        (
            lambda f: (f / "events.parquet").write_text("x") and (f / "events.csv").unlink(),
            "is not",
        ),
    ],
)
def test_a_bad_export_is_one_line(
    a_record: tuple[Path, str], tmp_path: Path, harm: object, says: str
) -> None:
    journal = Journal(a_record[0])
    export_runs(journal, a_record[1], tmp_path, ["csv"])
    journal.close()
    harm(tmp_path)  # type: ignore[operator]
    with pytest.raises(InputError, match=says) as caught:
        export.read_export(tmp_path)
    assert "\n" not in str(caught.value)


def test_a_run_that_never_ended_stays_out(a_record: tuple[Path, str], tmp_path: Path) -> None:
    journal = Journal(a_record[0])
    export_runs(journal, a_record[1], tmp_path, ["csv"])
    journal.close()
    events = tmp_path / "events.csv"
    with events.open(newline="", encoding="utf-8") as file:
        rows = [row for row in csv.reader(file) if row[2] != "finished"]
    with events.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    elsewhere = Journal(tmp_path / "elsewhere.sqlite")
    with pytest.raises(InputError, match="never ended"):
        import_runs(elsewhere, tmp_path)
    elsewhere.close()


def test_about_says_what_it_is(a_record: tuple[Path, str], tmp_path: Path) -> None:
    journal = Journal(a_record[0])
    export_runs(journal, a_record[1], tmp_path, ["csv"])
    journal.close()
    about = json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))
    assert about["kind"] == "evenwall/run"
    assert about["simulated"] is True
    assert about["proven_sha256"] is None
    assert about["plan"]["kind"] == "evenwall/plan"
