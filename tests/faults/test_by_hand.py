"""Documents broken by hand, one idea each: every one is refused in one line and delays nobody."""

from __future__ import annotations

import json
import os
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from evenwall.errors import EvenwallError, InputError
from evenwall.history.export import read_export
from evenwall.model import read_casting, read_plan, read_resin, read_rig
from evenwall.model.untrusted import read_json, read_table
from evenwall.service.casting_files import CastingFiles
from evenwall.service.library import Library
from tests.faults.documents import EVENTS, SAMPLES_CSV, good_plan, one_line
from tests.support.hostile import nested
from tests.support.virtual_shop import SAMPLES

CASTING = tomllib.loads((SAMPLES / "lantern-globe.toml").read_text(encoding="utf-8"))
RESIN = tomllib.loads((SAMPLES / "quick-clear.toml").read_text(encoding="utf-8"))


def _fifo(path: Path) -> None:
    os.mkfifo(path)  # nobody will ever write to it


def _sparse(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(50 * 10**9)


def _holds(content: bytes) -> Callable[[Path], object]:
    return lambda path: path.write_bytes(content)


ODD: dict[str, Callable[[Path], object]] = {
    "a pipe": _fifo,
    "a folder": Path.mkdir,
    "a device": lambda path: path.symlink_to("/dev/zero"),
    "a circle of links": lambda path: path.symlink_to(path),
    "a link to nothing": lambda path: path.symlink_to("/nonexistent/file"),
    "50 GB of nothing": _sparse,
    "null bytes": _holds(b"\0" * 100_000),
    "two bytes a letter": _holds("name = 'x'".encode("utf-16")),
    "lists without end": _holds(b"[" * 1_000_000),
    "tables without end": _holds(b'{"a":' * 100_000),
    "TOML lists without end": _holds(b"a=" + b"[" * 100_000),
    "a name of 100 000 parts": _holds(b".".join([b"a"] * 100_000) + b"=1"),
    "a quoted name of 20 000 parts": _holds(b" . ".join([b'"a"'] * 20_000) + b"=1"),
    "a million digits": _holds(b"9" * 1_000_000),
    "a number of 5000 digits": _holds(b"name = " + b"9" * 5000),
    "a name twice": _holds(b'{"kind": "evenwall/plan", "kind": "evenwall/run"}'),
    "beyond all numbers": _holds(b'{"kind": "evenwall/plan", "version": 1e999}'),
}


@pytest.mark.parametrize("reader", [read_casting, read_resin, read_rig, read_plan, read_export])
@pytest.mark.parametrize("odd", ODD)
def test_a_file_that_is_none(odd: str, reader: Callable[[Path], Any], tmp_path: Path) -> None:
    path = tmp_path / "run.json"
    ODD[odd](path)
    with pytest.raises(EvenwallError) as told:
        reader(tmp_path if reader is read_export else path)
    one_line(told.value)


def test_a_table_with_many_decimals_and_dots_in_words_is_read(tmp_path: Path) -> None:
    file = tmp_path / "table.toml"
    rows = ", ".join(f"{n}.{n}" for n in range(3000))
    file.write_text(f'# {"." * 200}\na = [{rows}]\nb = "{". " * 200}"\nc.d.e = 1\n')
    assert len(read_table(file)["a"]) == 3000
    assert read_json(_json(tmp_path, {"a": nested(20)}))["a"]


def _json(folder: Path, value: object) -> Path:
    file = folder / "value.json"
    file.write_text(json.dumps(value))
    return file


BAD: dict[str, object] = {
    "half a letter": "\ud800",
    "a null byte": "\0x",
    "two lines": "a\nb",
    "writing turned round": "globe\u202egnp.exe",
    "a million letters": "x" * 1_000_000,
    "not a number": float("nan"),
    "endless": float("inf"),
    "400 digits": 10**400,
    "900 lists": nested(900),
    "100 000 lists": nested(100_000),
    "a table": {"a": {"b": 1}},
    "a list": [0] * 10,
    "nothing": None,
}


@pytest.mark.parametrize("bad", BAD)
def test_the_library_keeps_nothing_that_it_could_not_read_again(bad: str, tmp_path: Path) -> None:
    shutil.copytree(SAMPLES, tmp_path / "castings")
    library = Library(tmp_path / "castings")
    before = sorted(library.folder.iterdir())
    for key in ("name", "mesh", "resin", "wall_mm"):
        with pytest.raises(InputError) as told:
            library.keep_casting("tried", {**CASTING, key: BAD[bad]}, None, True)
        one_line(told.value)
    with pytest.raises(InputError) as told:
        library.keep_resin("tried", {**RESIN, "name": BAD[bad]}, True)
    one_line(told.value)
    with pytest.raises(InputError) as told:
        library.shape({"name": BAD[bad]})
    one_line(told.value)
    assert sorted(library.folder.iterdir()) == before


@pytest.mark.parametrize(
    "overrides",
    [
        {"shop": 5.0},
        {"shop": "temp_degC"},
        {"shop": None},
        {"shop": {"temp_degC": 18.0}, "mould": 5.0},
        {"shop": {"temp_degC": 18.0}, "mould": "x"},
        {"resin": 5},
        {"resin": {"name": "quick-clear"}},
        {"wall_mm": {"a": 1}},
        {"mesh": "lantern-globe.stl"},
        {"\ud800": 1},
    ],
)
def test_a_plan_with_fields_of_another_kind_is_refused(overrides: dict[str, object]) -> None:
    with pytest.raises(InputError) as told:
        CastingFiles(SAMPLES, lambda *_: None).casting("lantern-globe", overrides)
    one_line(told.value)


def _exported(folder: Path, events: bytes = EVENTS.encode(), **about: object) -> Path:
    told = {"kind": "evenwall/run", "version": 1, "run_id": "20260105-090000-1"}
    (folder / "run.json").write_text(json.dumps({**told, "plan": good_plan(), **about}))
    (folder / "events.csv").write_bytes(events)
    (folder / "samples.csv").write_text(SAMPLES_CSV)
    return folder


def test_the_run_that_the_others_are_made_from_is_read(tmp_path: Path) -> None:
    assert read_export(_exported(tmp_path)).state.over


@pytest.mark.parametrize(
    "events",
    [
        EVENTS.replace("true", "NaN"),
        EVENTS.replace("true", "[" * 1000),
        EVENTS.replace("true", "9" * 5000),
        EVENTS.replace('{""simulated"": true}', "[]"),
        EVENTS.replace('""x""', '""\\ud800""'),
        EVENTS.replace(",60,", ",1e308,"),
        EVENTS.replace(",60,", ",nan,"),
        EVENTS + "4,x,61,u,noted,{},7,8,9\n",
        EVENTS + '"4,x,61',
        EVENTS.replace("started", "stepped"),
        "",
    ],
)
def test_an_imported_run_that_no_record_could_keep(events: str, tmp_path: Path) -> None:
    with pytest.raises(EvenwallError) as told:
        read_export(_exported(tmp_path, events.encode()))
    one_line(told.value)


@pytest.mark.parametrize("run_id", ["../../x", None, "", "a" * 121, "a\nb", 5])
def test_an_imported_run_has_a_name_that_is_one(run_id: object, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="run_id"):
        read_export(_exported(tmp_path, run_id=run_id))
