"""A record whose disk refuses it. SQLite's own refusals: `query_only` answers as a disk gone
read-only does (SQLITE_READONLY), `max_page_count` as a full one (SQLITE_FULL), a link where the
log's index should be as one that was so before the start (SQLITE_CANTOPEN). The same on file
systems mounted for it, by hand: ext4 that lost its disk says SQLITE_IOERR_WRITE, or takes itself
for damaged."""

from __future__ import annotations

import asyncio
import os
import tempfile
from collections.abc import Callable, Coroutine
from pathlib import Path

import pytest

from evenwall.cli.application import going_on, only_one
from evenwall.cli.main import main
from evenwall.errors import InputError
from evenwall.model import Event
from evenwall.records import fallback_store as beside
from evenwall.records.journal import Journal
from evenwall.records.records import Records
from evenwall.records.rows import Batch
from evenwall.records.trouble import Damaged, DiskRefuses
from evenwall_bridge.clock import Anchor

ANCHOR = Anchor(at_s=12.0, boot="b", machine_s=3.0, utc="2026-01-05T09:00:00+00:00")


@pytest.fixture(autouse=True)
def run_dir(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The service manager's folder in memory, and no other."""
    folder = tmp_path / "run"
    folder.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(folder))
    monkeypatch.delenv("XDG_RUNTIME_DIR", raising=False)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    return folder


def note(records: Records, text: str) -> Event:
    return records.event("r", 0.0, "", "noted", {"text": text}, key=text)


def texts(journal: Journal) -> list[str]:
    return [event.data["text"] for event in journal.events("r")]


def kept(path: Path) -> list[str]:
    journal = Journal(path)
    try:
        return texts(journal)
    finally:
        journal.close()


def lived(scenario: Callable[[], Coroutine[None, None, None]]) -> None:
    asyncio.run(scenario())


def test_a_record_goes_on_beside_a_disk_gone_read_only_and_is_put_back(
    tmp_path: Path, run_dir: Path
) -> None:
    path = tmp_path / "record.sqlite"

    async def scenario() -> None:
        records = Records(path)
        note(records, "before")
        assert await records.flush()
        records.journal.db.execute("PRAGMA query_only = 1")
        note(records, "after")
        records.keep("resin", "as learnt")
        assert await records.flush(ANCHOR)
        assert records.trouble is None
        told = records.moved
        assert told is not None
        assert str(run_dir) in told
        note(records, "later")
        assert await records.flush()
        assert records.moved == told
        assert texts(records.journal) == ["before", "after", "later"]
        await records.close()
        assert kept(path) == ["before"]

        mended = Records(path)
        assert mended.moved is None
        assert texts(mended.journal) == ["before", "after", "later"]
        assert mended.journal.note("resin") == "as learnt"
        assert mended.journal.anchor() == ANCHOR
        note(mended, "on the disk")
        await mended.close()
        assert kept(path)[-1] == "on the disk"
        assert list(run_dir.iterdir()) == []

    lived(scenario)


def test_a_disk_that_is_read_only_at_the_start(tmp_path: Path, run_dir: Path) -> None:
    """The controller was killed, so that the last rows stand in the log; then the disk refuses.
    Each process that comes up until it is mended goes on in the same copy."""
    path, killed = tmp_path / "record.sqlite", tmp_path / "killed" / "record.sqlite"

    async def scenario() -> None:
        first = Records(killed)
        note(first, "before")
        await first.flush(ANCHOR)
        for end in beside.PARTS:
            (tmp_path / f"record.sqlite{end}").write_bytes(
                killed.with_name(killed.name + end).read_bytes()
            )
        await first.close()
        index = tmp_path / "record.sqlite-shm"
        index.symlink_to("nowhere")
        with pytest.raises(DiskRefuses):
            Journal(path)
        for text in ("second", "third"):
            records = Records(path)
            assert records.moved is not None
            assert str(run_dir) in records.moved
            assert records.journal.anchor() == ANCHOR
            note(records, text)
            assert await records.flush()
            await records.close()
        index.unlink()
        mended = Records(path)
        assert texts(mended.journal) == ["before", "second", "third"]
        await mended.close()

    lived(scenario)


def test_a_full_disk_is_waited_for_while_the_process_lives(tmp_path: Path, run_dir: Path) -> None:
    path = tmp_path / "record.sqlite"

    async def scenario() -> None:
        records = Records(path)
        note(records, "before")
        await records.flush()
        db = records.journal.db
        db.execute("PRAGMA max_page_count = 1")
        long = ["a" * 9000, "b" * 9000]
        note(records, long[0])
        assert not await records.flush()
        assert records.trouble is not None
        assert records.moved is None
        db.execute("PRAGMA max_page_count = 1000000")
        assert await records.flush()
        assert records.trouble is None
        db.execute("PRAGMA max_page_count = 1")
        note(records, long[1])
        await records.close()
        assert kept(path) == ["before", long[0]]
        assert len(list(run_dir.iterdir())) == 1
        mended = Records(path)
        assert texts(mended.journal) == ["before", *long]
        await mended.close()

    lived(scenario)


def test_where_nothing_can_be_written_the_rows_wait_in_memory(
    tmp_path: Path, run_dir: Path
) -> None:
    run_dir.rmdir()
    path = tmp_path / "record.sqlite"

    async def scenario() -> None:
        records = Records(path)
        records.journal.db.execute("PRAGMA query_only = 1")
        rows = [note(records, "one"), note(records, "two")]
        assert not await records.flush()
        assert records.trouble is not None
        assert await records.items(0) == rows
        records.journal.db.execute("PRAGMA query_only = 0")
        assert await records.flush()
        assert texts(records.journal) == ["one", "two"]
        await records.close()

    lived(scenario)


def test_a_controller_comes_up_where_nothing_can_be_written(tmp_path: Path, run_dir: Path) -> None:
    run_dir.rmdir()
    (tmp_path / "record.sqlite-shm").symlink_to("nowhere")

    async def scenario() -> None:
        records = Records(tmp_path / "record.sqlite")
        assert records.moved is not None
        assert "kept in memory" in records.moved
        note(records, "now")
        assert await records.flush()
        assert texts(records.journal) == ["now"]
        await records.close()

    lived(scenario)


def test_a_disk_that_dies_reads_as_damage_and_the_record_goes_on_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen on ext4 after its disk was shut down: 'malformed', and nothing can be renamed there."""
    path = tmp_path / "record.sqlite"

    async def scenario() -> None:
        records = Records(path)

        def dying(*_: object) -> None:
            raise Damaged("database disk image is malformed")

        def refused(self: Path, target: Path) -> Path:
            if self.parent == tmp_path:
                raise OSError(5, "Input/output error")
            os.rename(self, target)
            return target

        monkeypatch.setattr(records.journal, "write", dying)
        monkeypatch.setattr(Path, "rename", refused)
        for text in ("one", "two"):
            note(records, text)
            assert await records.flush()
        assert texts(records.journal) == ["one", "two"]
        await records.close()

    lived(scenario)


def test_a_record_too_large_for_the_other_place_begins_empty_there(
    tmp_path: Path, run_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "record.sqlite"

    def full(source: Path, target: Path) -> None:
        target.write_bytes(source.read_bytes()[:100])
        raise OSError(28, "No space left on device")

    async def scenario() -> None:
        records = Records(path)
        note(records, "before")
        await records.flush()
        records.journal.db.execute("PRAGMA query_only = 1")
        monkeypatch.setattr(beside.shutil, "copyfile", full)
        note(records, "after")
        assert await records.flush()
        assert texts(records.journal) == ["after"]
        assert [folder.name[0] for folder in run_dir.iterdir()] == ["e"], "no half copy"
        await records.close()
        mended = Records(path)
        assert texts(mended.journal) == ["before", "after"]
        await mended.close()

    lived(scenario)


def test_what_went_on_elsewhere_is_kept_when_it_cannot_be_put_back(
    tmp_path: Path, run_dir: Path
) -> None:
    path = tmp_path / "record.sqlite"
    (place,) = [one for one in beside.places(path) if run_dir in one.parents]
    place.parent.mkdir()
    place.write_bytes(b"this is no database at all" * 400)

    async def scenario() -> None:
        records = Records(path)
        assert records.moved is not None
        assert str(place) in records.moved
        assert place.exists()
        note(records, "here")
        assert await records.flush()
        await records.close()

    lived(scenario)


def test_commands_find_a_record_where_it_goes_on_and_a_proof_puts_it_back(
    a_record: tuple[Path, str], run_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, run_id = a_record
    home = ["--data", str(path.parent)]
    place = beside.places(path)[0]
    beside.begin(place, path)
    copy = Journal(place)
    said = Event(
        event_id=copy.last_id() + 1,
        run_id=run_id,
        at_s=9e3,
        utc="",
        kind="noted",
        data={"text": "written beside the disk"},
    )
    batch = Batch(notes={"anchor": ANCHOR.to_json()})
    batch.events.append((said, None))
    copy.write(batch)
    copy.close()
    index = path.with_name(f"{path.name}-shm")
    index.symlink_to("nowhere")
    with pytest.raises(DiskRefuses):
        Journal(path)
    assert going_on(path, 1.0).now_s() >= ANCHOR.at_s
    assert main(["runs", *home]) == 0
    assert capsys.readouterr().out.count(run_id) == 1
    assert main(["runs", "show", run_id, *home]) == 0
    assert "written beside the disk" in capsys.readouterr().out
    index.unlink()
    assert main(["runs", "prove", run_id, "--weight-g", "280", "--yes", *home]) == 0
    assert not place.exists()
    assert main(["runs", "show", run_id, *home]) == 0
    shown = capsys.readouterr().out
    assert "written beside the disk" in shown
    assert "Proven" in shown


def test_commands_find_the_older_runs_too_where_the_other_place_had_no_room_for_them(
    a_record: tuple[Path, str], run_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, run_id = a_record
    place = beside.places(path)[0]
    beside.begin(place, path, ())
    Journal(place).close()
    assert main(["runs", "--data", str(path.parent)]) == 0
    assert run_id in capsys.readouterr().out
    place.write_bytes(b"this is no database at all" * 400)
    assert main(["runs", "show", run_id, "--data", str(path.parent)]) == 0
    assert run_id in capsys.readouterr().out


def test_a_command_that_was_told_no_folder_looks_in_the_services_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A login has no RUNTIME_DIRECTORY; the unit file names the folder."""
    unit = Path(__file__).resolve().parents[2] / "hardware" / "install" / "evenwall.service"
    assert "\nRuntimeDirectory=evenwall\n" in unit.read_text(encoding="utf-8")
    monkeypatch.delenv("RUNTIME_DIRECTORY")
    assert beside.places(tmp_path / "record.sqlite")[0].parents[1] == Path("/run/evenwall")


def test_nobody_elses_copy_is_taken_for_ours(
    tmp_path: Path, run_dir: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Anybody may create our name in a temporary folder."""
    place = beside.places(tmp_path / "record.sqlite")[0]
    place.parent.mkdir()
    place.write_bytes(b"")
    assert beside.is_there(place)
    monkeypatch.setattr(os, "geteuid", lambda: place.stat().st_uid + 1)
    assert not beside.is_there(place)


def test_a_folder_that_can_only_be_read_is_locked_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with only_one(tmp_path):
        pass
    before = os.open

    def read_only(path: Path, flags: int, mode: int = 0o777) -> int:
        """As open(2) on a file system mounted so: a file that is there may be opened to be read."""
        if flags & (os.O_WRONLY | os.O_RDWR | os.O_TRUNC) or not path.exists():
            raise OSError(30, "Read-only file system")
        return before(path, flags, mode)

    monkeypatch.setattr(os, "open", read_only)
    refused = pytest.raises(InputError, match="another evenwall")
    with only_one(tmp_path), refused, only_one(tmp_path):
        pass
    (tmp_path / "in-use").unlink()
    with pytest.raises(InputError, match="Read-only file system"), only_one(tmp_path):
        pass
