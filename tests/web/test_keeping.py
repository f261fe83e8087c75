"""Small files beside the event loop: a disk that is slow, dead or full delays no press."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from evenwall_bridge.clock import ManualClock
from evenwall_web import keeping
from evenwall_web.keeping import LINES_WAITING, Keeper, SLOW_s
from evenwall_web.people import People
from evenwall_web.phones import Phone


class Disk:
    """Replaces a card: it accepts a write only when told to, and counts the writes."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.answers, self.asked = threading.Event(), threading.Event()
        self.writers = set[int]()
        add, replace = Keeper._add, Keeper._replace

        def slowly(do: Any) -> Any:
            def wait(*args: Any) -> None:
                self.writers.add(threading.get_ident())
                self.asked.set()
                assert self.answers.wait(60)
                do(*args)

            return wait

        monkeypatch.setattr(Keeper, "_add", slowly(add))
        monkeypatch.setattr(Keeper, "_replace", slowly(replace))


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Iterator[Disk]:
    made = Disk(monkeypatch)
    yield made
    made.answers.set()  # whatever failed, no thread is left behind


def test_a_dead_disk_holds_up_nobody_and_what_waits_is_bounded(tmp_path: Path, disk: Disk) -> None:
    """Five thousand lines and a pairing while the first write hangs; then it answers again."""
    told: list[str | None] = []

    async def run() -> None:
        clock = ManualClock()
        people = People(clock, "http://192.168.7.5/", tmp_path, tell=told.append)
        for number in range(5 * LINES_WAITING):
            people.note("bench", "operate", "192.168.7.20", f"note {number}", "accepted")
        assert people.pair(people.invite("operate").code, "bench", "192.168.7.20") is not None
        assert len(people._kept._lines) <= LINES_WAITING
        assert not people._kept.close(0.0)
        assert told == []
        await clock.advance(SLOW_s + 1.0)
        people.note("bench", "operate", "192.168.7.20", "stop_turning", "accepted")
        assert told[-1] is not None
        assert "has not answered for 11 s" in told[-1]
        disk.answers.set()
        assert await asyncio.to_thread(people._kept.close, 60.0)
        await asyncio.sleep(0)  # noqa: TID251  the loop hears of it
        assert told[-1] is None

    asyncio.run(run())
    assert threading.get_ident() not in disk.writers
    lines = [json.loads(one) for one in (tmp_path / "audit.jsonl").read_text().splitlines()]
    assert lines[-1]["what"] == "stop_turning"
    assert len(lines) <= 2 * LINES_WAITING
    assert "bench" in (tmp_path / "sessions.json").read_text()


def test_lines_keep_their_order_whatever_the_disk_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It refuses every third write; nothing is lost, doubled or put in another order."""
    add, count = Keeper._add, 0

    def sometimes(self: Keeper, lines: list[str]) -> None:
        nonlocal count
        count += 1
        if count % 3 == 1:
            raise OSError(28, "No space left on device")
        add(self, lines)

    monkeypatch.setattr(Keeper, "_add", sometimes)
    told: list[str | None] = []
    keeper = Keeper(ManualClock(), tmp_path, "audit", told.append)
    for number in range(200):
        keeper.line(f"{number}\n")
    for _ in range(3):
        keeper.close()
    assert (tmp_path / "audit.jsonl").read_text().split() == [str(n) for n in range(200)]
    assert "No space left on device" in told
    assert told[-1] is None


def test_the_newest_content_of_a_file_is_what_is_written(tmp_path: Path, disk: Disk) -> None:
    keeper = Keeper(ManualClock(), tmp_path, "phones", lambda _: None)
    for number in range(100):
        keeper.whole("phones.json", str(number))
    disk.answers.set()
    assert keeper.close(60.0)
    assert (tmp_path / "phones.json").read_text() == "99"
    assert (tmp_path / "phones.json").stat().st_mode & 0o077 == 0


def test_no_more_threads_is_told_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str | None] = []
    keeper = Keeper(ManualClock(), tmp_path, "audit", told.append)

    def refused(*_: Any) -> int:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as few:
        few.setattr(keeping._thread, "start_new_thread", refused)
        keeper.line("a\n")
    assert told == ["no thread could be started"]
    keeper.line("b\n")
    assert keeper.close()
    assert (tmp_path / "audit.jsonl").read_text() == "a\nb\n"
    assert told[-1] is None


def test_a_subscription_outlives_the_process_and_its_write_is_beside_the_loop(
    tmp_path: Path, disk: Disk
) -> None:
    async def run() -> None:
        people = People(ManualClock(), "http://192.168.7.5/", tmp_path)
        keys = ("B" + "A" * 86, "A" * 22)
        people.phones.add(Phone("a" * 8, "https://push.example.org/1", *keys))
        await asyncio.to_thread(disk.asked.wait, 60)
        assert not (tmp_path / "phones.json").exists()
        disk.answers.set()
        assert await asyncio.to_thread(people.close)
        assert len(People(ManualClock(), "http://192.168.7.5/", tmp_path).phones) == 1

    asyncio.run(run())


def test_nothing_is_kept_without_a_folder() -> None:
    keeper = Keeper(ManualClock(), None, "audit", lambda _: None)
    keeper.line("a\n")
    keeper.whole("sessions.json", "[]")
    assert keeper.close()
