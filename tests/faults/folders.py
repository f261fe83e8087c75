"""Data folders damaged by a power cut, a bad card or a person, which the controller must open.

One folder is made by a casting in virtual time, stopped in its middle. Each trial copies it, spoils
one file of it or one value inside the record, and opens everything that `evenwall serve` opens.
"""

from __future__ import annotations

import asyncio
import json
import random
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from evenwall.cli.application import only_one
from evenwall.cli.panel import check_certificate, with_authority
from evenwall.errors import EvenwallError
from evenwall.history.lessons import resin_memories
from evenwall_bridge.clock import ManualClock, SystemClock, run_virtual
from evenwall_web.people import People
from evenwall_web.phones import Phone
from evenwall_web.settings import Settings
from tests.faults.light import light
from tests.support.hostile import damaged, spoilt
from tests.support.virtual_shop import open_shop

FILES = ("record.sqlite", "record.sqlite-wal", "panel/sessions.json", "panel/audit.jsonl",
         "panel/phones.json", "panel/push.key", "tls/authority.pem", "tls/authority.key",
         "tls/server.pem", "tls/server.key", "in-use")  # fmt: skip
TABLES = {"events": ("at_s", "utc", "kind", "data", "run_id"), "plans": ("plan",),
          "notes": ("value",), "samples": ("at_s", "coat", "probe_degC")}  # fmt: skip


@cache
def good_folder() -> Path:
    """A data folder with a casting in the middle of its second coat."""
    folder = Path(mkdtemp(prefix="evenwall-folder-"))

    async def live() -> None:
        async with open_shop(record=folder / "record.sqlite", judges=light) as shop:
            task = asyncio.create_task(shop.operator().work())
            await shop.ask("start", plan=shop.plan)
            await shop.until(lambda: shop.supervisor.state and shop.supervisor.state.index == 1)
            await shop.until(lambda: shop.supervisor.state.turning is not None)
            anchor = replace(SystemClock().anchor(), at_s=shop.clock.now_s())
            shop.supervisor.records.keep("anchor", anchor.to_json())
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    run_virtual(live())
    people = People(ManualClock(), "http://127.0.0.1/", folder / "panel")
    people.pair(people.invite("operate").code, "a phone", "127.0.0.1")
    people.phones.add(Phone("a" * 8, "https://push.example.org/1", "B" + "A" * 86, "A" * 22))
    assert people.close()
    with_authority(Settings(), folder / "tls")
    with only_one(folder):
        pass
    return folder


def _spoil_file(folder: Path, draw: random.Random) -> str:
    name = draw.choice(FILES)
    path = folder / name
    how = draw.randrange(10)
    content = path.read_bytes() if path.is_file() else b""
    if how == 0:
        path.unlink(missing_ok=True)
        path.mkdir()
        return f"a folder in the place of {name}"
    if how == 1 and path.exists():
        path.unlink()
        return f"without {name}"
    path.write_bytes(damaged(content, draw))
    return f"{name} damaged"


def _spoil_row(folder: Path, draw: random.Random) -> str:
    """Spoil one value of one row: its JSON, its kind, or a value that the column cannot have."""
    table = draw.choice(("events", "events", "events", "plans", "notes", "samples"))
    column = draw.choice(TABLES[table])
    with closing(sqlite3.connect(folder / "record.sqlite")) as db:
        key = {"events": "event_id", "plans": "run_id", "notes": "name", "samples": "sample_id"}
        rows = db.execute(f"SELECT {key[table]}, {column} FROM {table}").fetchall()
        row, value = draw.choice(rows)
        if isinstance(value, str) and value[:1] in "{[" and draw.random() < 0.8:
            fresh: Any = json.dumps(spoilt(json.loads(value), draw))
        else:
            fresh = draw.choice(
                ("", "x", b"\xff\xfe", 5, -1e300, 1e300, "null", "[]", "{}", "9" * 5000)
            )
        db.execute(f"UPDATE {table} SET {column} = ? WHERE {key[table]} = ?", (fresh, row))
        db.commit()
    return f"{table}.{column} of row {row}"


def _spoil_version(folder: Path, draw: random.Random) -> str:
    with closing(sqlite3.connect(folder / "record.sqlite")) as db:
        db.execute(f"PRAGMA user_version = {draw.choice((0, 2, 99, -1))}")
        db.commit()
    return "another version"


def trial(draw: random.Random, scratch: Path) -> str:
    """Spoil a copy of the folder, open it, and return the damage and the result."""
    folder = scratch / "data"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(good_folder(), folder)
    what = draw.choice((_spoil_file, _spoil_row, _spoil_row, _spoil_version))(folder, draw)
    state = come_up(folder)
    return f"{what}: {state}"


def come_up(folder: Path) -> str:
    """Open record, clock, memories, phones, certificate and supervisor as the controller does."""
    if (folder / "tls").is_dir():  # a panel without a certificate is served over plain HTTP
        check_certificate(with_authority(Settings(), folder / "tls"))
    people = People(ManualClock(), "http://127.0.0.1/", folder / "panel")
    people.note("someone", "none", "127.0.0.1", "look", "done")
    people.close()
    with only_one(folder):
        return run_virtual(_supervised(folder))


async def _supervised(folder: Path) -> str:
    async with open_shop(record=folder / "record.sqlite", judges=light) as shop:
        SystemClock(1.0, shop.records.journal.anchor())
        resin_memories(shop.records.journal)
        for _ in range(5):
            await shop.clock.sleep(2.0)
            shop.service.snapshot().model_dump_json()
        supervisor = shop.supervisor
        looks = supervisor.looks
        await shop.clock.sleep(5.0)
        assert supervisor.looks > looks, "it does not look any more"
        cards = await shop.service.runs()
        for card in cards:
            try:
                await shop.service.record(card.run_id)
                await shop.service.curve(card.run_id)
                await shop.service.run_plan(card.run_id)
            except EvenwallError:
                continue  # said in words
        answer = await shop.ask("note", text="still here")
        if supervisor.state is not None and not supervisor.state.over:
            assert answer.accepted, answer.sentence
            events = await shop.service.events(supervisor.state.run_id)
            kept = [event for event in events if event.event_id == answer.event_id]
            assert kept or answer.event_id is None
        stopped = await shop.ask("stop_turning")
        assert stopped.sentence
        said = [*supervisor.notices.values()]
        return "; ".join(said)[:300] or "as if nothing had happened"
