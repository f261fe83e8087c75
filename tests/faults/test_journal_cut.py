"""The journal is cut at every write, 1, 2, 3, ...: the remaining file reads back as a prefix with
all acknowledged rows, events as well as batches of samples."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from itertools import accumulate
from pathlib import Path

import pytest

from evenwall.records.journal import Journal
from tests.faults import fuller
from tests.faults.scribe import rows_of_each_write

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
EXPECTED = [kind for kinds in rows_of_each_write() for kind in kinds]
ENDS = [0, *accumulate(len(kinds) for kinds in rows_of_each_write())]  # after each write


@pytest.fixture(scope="module")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    cc = shutil.which("cc")
    if cc is None:
        pytest.skip("no C compiler")
    library = tmp_path_factory.mktemp("cut") / "cut.so"
    subprocess.run(
        [cc, "-shared", "-fPIC", "-O1", "-o", str(library), str(HERE / "cut.c"), "-ldl"], check=True
    )
    return library


def run_scribe(shim: Path, folder: Path, how: str, first: int) -> dict[int, list[list[str]]]:
    """Return every victim's output, by the number of the write it was cut at."""
    environment = {
        **os.environ,
        "LD_PRELOAD": str(shim),
        "CUT_NAME": ".sqlite",
        "CUT_HOW": how,
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, "-m", "tests.faults.scribe", str(folder), str(first), "1"]
    subprocess.run(command, env=environment, cwd=ROOT, timeout=250, check=True)
    return {
        int(path.name.removeprefix("said-")): [
            line.split() for line in path.read_text().splitlines()
        ]
        for path in folder.glob("said-*")
    }


def check(path: Path, said: list[list[str]]) -> int:
    """Check that the file reads back as a prefix with every acknowledged row; return its length.

    A write is complete or absent. It holds events with their samples, or only samples.
    """
    journal = Journal(path)
    events = [event.event_id for event in journal.events("r")]
    samples = [sample.sample_id for sample in journal.samples("r")]
    ((verdict,),) = journal.db.execute("PRAGMA integrity_check").fetchall()
    journal.close()
    assert verdict == "ok"
    found = {**dict.fromkeys(events, "event"), **dict.fromkeys(samples, "sample")}
    assert [found[i] for i in sorted(found)] == EXPECTED[: len(found)]
    assert sorted(found) == list(range(1, len(found) + 1))
    assert len(found) in ENDS
    acknowledged = [int(i) for line in said if line[0] == "written" for i in line[1:]]
    assert set(acknowledged) <= set(found)
    return len(found)


def test_killed_at_every_write(shim: Path, tmp_path: Path) -> None:
    said = run_scribe(shim, tmp_path, "kill", 1)
    lengths = [check(tmp_path / f"cut-{at}.sqlite", said[at]) for at in sorted(said)]
    assert sorted(said) == list(range(1, len(said) + 1))
    assert lengths[-1] == len(EXPECTED), "the last one lived"
    assert sorted(set(lengths)) == ENDS


def test_disk_full_in_the_middle(shim: Path, tmp_path: Path) -> None:
    said = run_scribe(shim, tmp_path, "full", 60)
    assert {line[0] for line in said[60]} == {"written", "waiting"}
    assert any("full." in line for line in said[60]), said[60]
    assert check(tmp_path / "cut-60.sqlite", said[60]) < len(EXPECTED)


def test_a_disk_full_at_any_write_of_the_start(shim: Path, tmp_path: Path) -> None:
    """The controller starts, accepts a note and a stop, and says where its record is.

    Here it is every eleventh write; `python -m tests.faults.fuller` refuses each of them in turn.
    """
    beside = str(tmp_path / "beside")
    environment = {
        **os.environ,
        "LD_PRELOAD": str(shim),
        "CUT_NAME": "startup-data",
        "CUT_HOW": "full",
        "PYTHONPATH": str(ROOT),
        "RUNTIME_DIRECTORY": beside,
        "XDG_RUNTIME_DIR": beside,
    }
    command = [sys.executable, "-m", "tests.faults.fuller", str(tmp_path), "1", "11"]
    told = subprocess.run(
        command, env=environment, cwd=ROOT, timeout=250, check=True, capture_output=True, text=True
    )
    lines = [line.split("\t") for line in told.stdout.splitlines()]
    for name in ("new", "second coat"):
        said = [text for folder, _, text in lines if folder == name]
        assert len(said) == len(range(1, fuller.MOST, 11)) + 1
        assert "record cannot be written" in said[0]
        assert "as if nothing" in said[-1]


def test_read_only_folder(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root writes everywhere")
    path = tmp_path / "record.sqlite"
    Journal(path).close()
    path.chmod(0o444)
    with pytest.raises(Exception, match="readonly"):
        Journal(path)
