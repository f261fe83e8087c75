"""The shop page's order, its staleness, and a page fed by a real broker."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenwall.model import Alert, Button, Snapshot, Step
from evenwall.telemetry.fleet import RIGS_AT_MOST, Rank, Shop, rank
from evenwall.telemetry.messages import Head, Now, Online, states, topic
from evenwall.telemetry.publisher import Telemetry
from evenwall_bridge.clock import ManualClock, SystemClock
from evenwall_web.shop import shop_app
from tests.telemetry.brokers import REAL, Bench, Mosquitto, casting, spec, until
from tests.telemetry.test_telemetry import FAST, rig


def now(rig_id: str = "oak", **fields: Any) -> Now:
    snapshot = Snapshot(now_s=0.0, utc="", simulated=True, rig=rig_id, **fields)
    said = states(snapshot, Head(rig=rig_id, session="s", seq=1, utc=""))["now"]
    assert isinstance(said, Now)
    return said


ASKED = {"next_button": Button(command="next", label="Poured")}
ACT = {"alerts": (Alert(kind="guard", sentence="Close it.", severity="act_now", since_s=0.0),)}


@pytest.mark.parametrize(
    ("fields", "online", "silent_s", "left_s", "expected"),
    [
        (casting() | ACT, True, 0.0, 60.0, Rank.ACT_NOW),
        (casting() | ASKED, True, 0.0, -1.0, Rank.LATE),
        (casting(), True, 6.0, 60.0, Rank.SILENT),
        (casting(), False, 0.0, 60.0, Rank.SILENT),
        (casting() | ACT, False, 9.0, None, Rank.SILENT),
        (casting() | ASKED, True, 0.0, 60.0, Rank.ASKED),
        (casting() | ASKED, True, 0.0, None, Rank.ASKED),
        (casting(), True, 0.0, 60.0, Rank.BY_ITSELF),
        (casting(), True, 0.0, -5.0, Rank.BY_ITSELF),
        ({}, True, 0.0, None, Rank.IDLE),
        (casting(step=Step.DONE) | ASKED, True, 0.0, None, Rank.IDLE),
        ({}, False, 0.0, None, Rank.AWAY),
        ({}, True, 60.0, None, Rank.AWAY),
    ],
)
def test_rank(
    fields: dict[str, Any], online: bool, silent_s: float, left_s: float | None, expected: Rank
) -> None:
    assert rank(now(**fields), online, silent_s, left_s) is expected


def shop(clock: ManualClock | SystemClock, port: int = 1) -> Shop:
    return Shop(spec(port), clock, random.Random(1))


def test_order_and_staleness() -> None:
    async def main() -> None:
        clock = ManualClock(0.0)
        seen = shop(clock)

        def hear(said: Now | Online) -> None:
            name = "now" if isinstance(said, Now) else "online"
            seen.hear(topic(said.rig, name), said.model_dump_json().encode())

        hear(now("idle"))
        hear(now("by-itself", **casting()))
        hear(now("asked", **casting(), **ASKED))
        hear(now("sooner", **casting(), **ASKED).model_copy(update={"left_s": 20.0}))
        hear(now("act", **casting(), **ACT))
        assert [c.rig for c in seen.cards()] == ["act", "sooner", "asked", "by-itself", "idle"]
        await clock.advance(4.0)
        hear(now("asked", **casting(), **ASKED))
        assert seen.card("sooner").left_s == 16.0  # counted on from when it was said
        await clock.advance(2.0)
        # Three silent in the middle of a casting, by the time left; then the one that is heard.
        assert [c.rig for c in seen.cards()] == ["sooner", "act", "by-itself", "asked", "idle"]
        assert seen.card("act").rank is Rank.SILENT
        lost = Online(
            rig="asked", session="s", seq=2, utc="", online=False, why="lost", simulated=True
        )
        hear(lost)
        assert seen.card("asked").rank is Rank.SILENT
        hear(now("asked", **casting(), **ASKED))
        assert seen.card("asked").rank is Rank.ASKED

    asyncio.run(main())


@given(st.binary(max_size=200))
def test_nonsense_is_dropped_and_counted(payload: bytes) -> None:
    seen = shop(ManualClock())
    seen.hear("evenwall/oak/now", payload)
    assert (seen.cards(), seen.unreadable) == ([], 1)


def test_rigs_are_bounded() -> None:
    seen = shop(ManualClock())
    for number in range(RIGS_AT_MOST + 10):
        name = f"rig-{number}"
        seen.hear(topic(name, "now"), now(name).model_dump_json().encode())
    assert len(seen.cards()) == RIGS_AT_MOST
    assert seen.unreadable == 10


def test_a_page_is_fed_by_a_real_broker(tmp_path: Path) -> None:
    """Two rigs, one page; the broker dies and comes back, and the page follows."""
    broker = Mosquitto(tmp_path)
    clock = SystemClock(FAST)

    async def main() -> None:
        await broker.start()
        seen = shop(clock, broker.port)
        views: list[Any] = []

        async def page() -> None:
            async for view in seen.changes():
                views.extend(view.cards)

        jobs = [asyncio.create_task(seen.run()), asyncio.create_task(page())]
        for name in ("oak", "elm"):
            (tmp_path / name).mkdir()
            mqtt = spec(broker.port, rig_id=name)
            telemetry = Telemetry(
                rig(mqtt), Bench(**casting()), clock, tmp_path / name, random.Random(2)
            )
            jobs.append(asyncio.create_task(telemetry.run()))
        await until(lambda: {c.rig for c in views if c.now} == {"oak", "elm"}, "both rigs")
        broker.kill()
        await until(lambda: not seen.connected, "outage")
        await until(lambda: views[-1].rank is Rank.SILENT, "silent")
        await broker.start()
        await until(lambda: seen.connected and views[-1].rank is Rank.BY_ITSELF, "heard again")
        jobs[-1].cancel()
        await until(lambda: seen.card("elm").rank is Rank.SILENT, "a goodbye")
        for job in jobs:
            job.cancel()
        await asyncio.gather(*jobs, return_exceptions=True)

    try:
        asyncio.run(main())
    finally:
        broker.kill()


def test_the_page_and_its_list_are_served() -> None:
    from httpx import ASGITransport, AsyncClient

    async def main() -> None:
        seen = shop(REAL)
        seen.hear("evenwall/oak/now", now("oak", **casting()).model_dump_json().encode())
        transport = ASGITransport(shop_app(seen))
        async with AsyncClient(transport=transport, base_url="http://shop") as client:
            page = await client.get("/")
            assert "The shop" in page.text
            for name in ("shop.css", "shop.js"):
                assert (await client.get(f"/shop/{name}")).status_code == 200
            (card,) = (await client.get("/api/rigs")).json()
            assert card["now"]["sentence"] == "Keep turning."
            assert card["rank"] == Rank.BY_ITSELF
            assert (await client.post("/api/rigs")).status_code == 405

    asyncio.run(main())


def test_the_command_serves_the_page(tmp_path: Path) -> None:
    """`evenwall shop` as a person starts it: a page, and an end on SIGTERM."""
    import signal
    import subprocess
    import sys
    from urllib.request import urlopen

    command = [
        sys.executable,
        "-m",
        "evenwall.cli.main",
        "shop",
        "--port",
        "0",
        "--broker-port",
        "1",
    ]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        address = process.stdout.readline().split()[-1]

        async def main() -> str:
            for _ in range(200):
                try:
                    return str(await asyncio.to_thread(lambda: urlopen(address).read().decode()))
                except OSError:
                    await REAL.sleep(0.05)
            return ""

        assert "The shop" in asyncio.run(main())
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) in (0, -signal.SIGTERM)
    finally:
        process.kill()
        process.communicate()
