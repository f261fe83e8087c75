"""The journal: acknowledged rows can be read back, whatever the disk did."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from evenwall.cli.application import going_on
from evenwall.errors import RecordError
from evenwall.model import Event, Sample
from evenwall.records import fallback_store as beside
from evenwall.records.journal import Journal
from evenwall.records.records import SAMPLES_EVERY_S, SAMPLES_WAITING, Records
from evenwall.records.rows import Batch
from evenwall_bridge.clock import Anchor


def an_event(records: Records, kind: str, key: str | None = None, run: str = "r1") -> Event:
    return records.event(run, 1.5, "2026-01-05T09:00:01+00:00", kind, {"mix_g": 12.5}, key)


def a_sample(records: Records, at_s: float) -> Sample:
    return records.sample("r1", {"at_s": at_s, "coat": 1, "probe_degC": 21.0625})


def test_rows_read_back_as_written_in_one_order(tmp_path: Path) -> None:
    async def scenario() -> None:
        records = Records(tmp_path / "record.sqlite")
        rows = [
            an_event(records, "started", "k1"),
            a_sample(records, 2.0),
            an_event(records, "weighed"),
            a_sample(records, 3.0),
        ]
        assert await records.items(0) == rows
        assert await records.items(rows[1].sample_id) == rows[2:]  # type: ignore[union-attr]
        found = await records.read(lambda journal: journal.event_of_key("k1"))
        assert found == rows[0]
        await records.close()
        journal = Journal(tmp_path / "record.sqlite")
        assert journal.events("r1") == [rows[0], rows[2]]
        assert journal.samples("r1") == [rows[1], rows[3]]
        assert journal.unfinished() == "r1"
        journal.close()

    asyncio.run(scenario())


def test_a_repeated_key_is_kept_once(tmp_path: Path) -> None:
    async def scenario() -> None:
        records = Records(tmp_path / "record.sqlite")
        first = an_event(records, "weighed", "same")
        an_event(records, "weighed", "same")
        assert await records.flush()
        found = await records.read(lambda journal: journal.events("r1"))
        assert found == [first]
        await records.close()

    asyncio.run(scenario())


def test_ids_are_never_given_out_twice_across_a_crash(tmp_path: Path) -> None:
    async def scenario() -> None:
        records = Records(tmp_path / "record.sqlite")
        an_event(records, "started")
        await records.flush()
        lost = an_event(records, "weighed")  # never flushed: the process dies here
        again = Records(tmp_path / "record.sqlite")
        assert an_event(again, "weighed").event_id > lost.event_id
        await again.close()
        records.journal.close()

    asyncio.run(scenario())


def test_thinned_curve_keeps_the_newest(tmp_path: Path) -> None:
    async def scenario() -> None:
        records = Records(tmp_path / "record.sqlite")
        for second in range(1000):
            a_sample(records, float(second))
        thin = await records.read(lambda journal: journal.samples("r1", points=100))
        assert len(thin) == 100
        assert thin[-1].at_s == 999.0
        await records.close()

    asyncio.run(scenario())


def test_memory_is_bounded_while_nothing_can_be_written() -> None:
    async def scenario() -> None:
        records = Records(None)
        records.journal.db.close()  # every write fails from here on
        for second in range(SAMPLES_WAITING * 2):
            a_sample(records, float(second))
        assert not await records.flush()
        assert records.trouble is not None
        assert len(await records.items(0, limit=10**6)) <= SAMPLES_WAITING
        assert records.samples_dropped >= SAMPLES_WAITING

    asyncio.run(scenario())


def test_a_damaged_file_is_set_aside_and_kept(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    path.write_bytes(b"this is no database at all" * 400)

    async def scenario() -> None:
        records = Records(path)
        assert records.moved is not None
        assert (tmp_path / "record.sqlite.damaged-1").exists()
        an_event(records, "started")
        assert await records.flush()
        await records.close()

    asyncio.run(scenario())


def test_a_record_whose_notes_are_damaged_is_set_aside(tmp_path: Path) -> None:
    """The controller reads the clock's note before anything else, and must start."""
    path = tmp_path / "record.sqlite"

    async def scenario() -> None:
        records = Records(path)
        an_event(records, "started")
        assert await records.flush(Anchor(at_s=1.0, boot="b", machine_s=1.0, utc=""))
        await records.close()
        journal = Journal(path)
        sql = "SELECT rootpage FROM sqlite_master WHERE name = 'notes'"
        ((page,),) = journal.db.execute(sql).fetchall()
        ((size,),) = journal.db.execute("PRAGMA page_size").fetchall()
        journal.close()
        raw = bytearray(path.read_bytes())
        raw[(page - 1) * size : page * size] = b"\xa5" * size
        path.write_bytes(raw)
        records = Records(path)
        assert "1 rows could still be read" in (records.moved or "")
        assert records.journal.anchor() is None
        await records.close()

    asyncio.run(scenario())


def test_what_was_never_written_is_told_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(beside, "places", lambda _: [])  # nor can it be written anywhere else

    async def scenario() -> None:
        records = Records(tmp_path / "record.sqlite")
        records.journal.db.execute("PRAGMA query_only = 1")  # what a disk gone read-only answers
        an_event(records, "started")
        an_event(records, "noted")
        assert not await records.flush()
        with pytest.raises(RecordError, match=r"cannot be written.*last 2 events are lost"):
            await records.close()

    asyncio.run(scenario())


def test_the_clock_begins_anew_beside_a_damaged_record(tmp_path: Path) -> None:
    """A controller must start with any record, because the frame may be turning."""
    path = tmp_path / "record.sqlite"
    path.write_bytes(b"this is no database at all" * 400)
    assert 0.0 <= going_on(path, 1.0).now_s() < 60.0


def test_a_record_of_a_later_release_is_refused(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "record.sqlite")
    journal.db.execute("PRAGMA user_version = 99")
    journal.close()
    with pytest.raises(RecordError, match="update Evenwall"):
        Journal(tmp_path / "record.sqlite")


def test_the_anchor_of_the_clock_is_kept(tmp_path: Path) -> None:
    anchor = Anchor(at_s=12.0, boot="b", machine_s=3.0, utc="2026-01-05T09:00:00+00:00")

    async def scenario() -> None:
        records = Records(tmp_path / "record.sqlite")
        assert await records.flush(anchor)
        await records.close()

    asyncio.run(scenario())
    journal = Journal(tmp_path / "record.sqlite")
    assert journal.anchor() == anchor
    journal.close()


def test_a_minute_of_samples_wears_a_card_little(tmp_path: Path) -> None:
    """Fewer than ten syncs and 0.1 MB a minute at one sample a second, as the supervisor asks.

    In WAL mode with synchronous = FULL a commit syncs once (sqlite.org/pragma.html), and the log
    takes one frame of page and header for each page changed (sqlite.org/fileformat.html, 4.1).
    """
    path = tmp_path / "record.sqlite"
    writes: list[int] = []

    async def scenario() -> None:
        records = Records(path)
        write = records.journal.write

        def counted(batch: Batch, anchor: Anchor | None = None) -> None:
            writes.append(len(batch.samples))
            write(batch, anchor)

        records.journal.write = counted  # type: ignore[method-assign]
        an_event(records, "started")
        for second in range(600):  # a while, for the table's tree to have its shape
            if second == 540:
                assert await records.flush()
                before, writes[:] = path.with_name("record.sqlite-wal").stat().st_size, []
            a_sample(records, float(second))
            if records.samples_due(float(second)):
                assert await records.flush(
                    Anchor(float(second), "boot", float(second), "2026-01-05T09:00:00+00:00")
                )
        log = path.with_name("record.sqlite-wal").stat().st_size - before
        assert 0 < len(writes) < 10
        assert sum(writes) >= 60 - SAMPLES_EVERY_S
        assert log < 100e3
        await records.close()

    asyncio.run(scenario())


def test_samples_wait_for_company_and_no_longer() -> None:
    async def scenario() -> None:
        records = Records(None)
        assert not records.samples_due(1e9)
        a_sample(records, 100.0)
        assert not records.samples_due(100.0 + 0.9 * SAMPLES_EVERY_S)
        assert records.samples_due(100.0 + SAMPLES_EVERY_S)
        an_event(records, "weighed")
        assert await records.flush()  # an event's write takes them along
        assert not records.samples_due(1e9)
        await records.close()

    asyncio.run(scenario())


def test_a_damaged_name_that_no_message_can_quote_is_set_aside(tmp_path: Path) -> None:
    """SQLite's own message then is no UTF-8, and Python's module fails on the message."""
    path = tmp_path / "record.sqlite"
    Journal(path).close()
    path.write_bytes(path.read_bytes().replace(b"tablesamples", b"tablesamp\xc9es"))

    async def scenario() -> None:
        records = Records(path)
        assert "damaged" in (records.moved or "")
        an_event(records, "started")
        assert await records.flush()
        await records.close()

    asyncio.run(scenario())
