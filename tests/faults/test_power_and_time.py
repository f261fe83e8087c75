"""Power cuts and wrong clocks: each case ends in a defined state, in the same coat."""

from __future__ import annotations

import asyncio
import shutil
import socket
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from evenwall.cli.application import Application, Setup, open_application
from evenwall.cli.panel import listen
from evenwall.cli.power import BOOT_S, clock_in_doubt, longest_away_s, resumed
from evenwall.errors import InputError
from evenwall.model import Step
from evenwall.records.journal import Journal
from evenwall_bridge import clock as clocks
from evenwall_bridge.clock import Anchor, LoopClock, SystemClock, run_virtual
from evenwall_bridge.sim_board import VirtualBoard
from tests.faults.folders import good_folder
from tests.faults.light import light
from tests.support.virtual_shop import open_shop, sample_rig

BOOTED_S = 40.0  # from power to the program
YEAR = timedelta(days=365)


def machine_up(for_s: float) -> Callable[[], float]:
    """Return the count of a machine that was started so long ago."""
    real_s = clocks._machine_s
    began_s = real_s() - for_s
    return lambda: real_s() - began_s


def before(gone: timedelta) -> Anchor:
    """Return the anchor of a process of another boot, this long ago by the civil clock."""
    utc = (datetime.now(UTC) - gone).isoformat()  # noqa: TID251
    return Anchor(at_s=1000.0, boot="another", machine_s=90_000.0, utc=utc)


@pytest.mark.parametrize(
    ("gone", "believed_s"),
    [
        (timedelta(seconds=95), 95.0),  # a clock that is right
        (timedelta(seconds=3), BOOTED_S),  # a clock that stood still while the power was off
        (4 * YEAR, BOOTED_S),
        (-4 * YEAR, BOOTED_S),
        (timedelta(hours=3), BOOTED_S),  # the board does not turn this long by itself
        (timedelta(hours=-1), BOOTED_S),
    ],
)
def test_a_clock_is_believed_as_far_as_it_can_be(
    gone: timedelta, believed_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clocks, "_machine_s", lambda: BOOTED_S)
    clock = SystemClock(1.0, before(gone), sample_rig().grant_s + BOOT_S)
    assert clock.gone_s == pytest.approx(believed_s, abs=1.0)
    doubted = abs(gone.total_seconds() - believed_s) > 60.0
    assert bool(clock_in_doubt(clock)) is doubted


def test_between_coats_a_night_without_power_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clocks, "_machine_s", lambda: BOOTED_S)
    clock = SystemClock(1.0, before(timedelta(hours=14)))
    assert clock.gone_s == pytest.approx(14 * 3600.0, abs=1.0)
    assert clock_in_doubt(clock) == ""


@pytest.mark.parametrize("up_s", [BOOTED_S, 4 * 3600.0])
@pytest.mark.parametrize("years", [-4, 4])
def test_a_reboot_in_mid_coat_with_the_clock_wrong_by_years(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, years: int, up_s: float
) -> None:
    """The Pi and the board both lose their power while the second coat turns. The sheet shows the
    same coat, halted, with the next action; the wrong clock is reported and costs no coat. up_s:
    how long the Pi has run again."""
    folder = tmp_path / "data"
    shutil.copytree(good_folder(), folder)
    monkeypatch.setattr(clocks, "_machine_s", machine_up(up_s))
    with closing(sqlite3.connect(folder / "record.sqlite")) as db:
        anchor = before(years * YEAR)
        at_s = Anchor.from_json(
            db.execute("SELECT value FROM notes WHERE name = 'anchor'").fetchone()[0]
        ).at_s
        text = Anchor(at_s, anchor.boot, anchor.machine_s, anchor.utc).to_json()
        db.execute("UPDATE notes SET value = ? WHERE name = 'anchor'", (text,))
        db.commit()
    with closing(Journal(folder / "record.sqlite")) as journal:
        events = journal.events(journal.unfinished())
    assert longest_away_s(events, sample_rig()) == sample_rig().grant_s + BOOT_S

    async def live() -> None:
        async with open_application(Setup(spec=sample_rig(), data=folder), light) as house:
            assert "which is wrong" in house.supervisor.notices["clock"]
            now_s = await halts_in_the_second_spin(house)
            assert now_s == pytest.approx(at_s + up_s, abs=60.0)

    asyncio.run(live())


async def halts_in_the_second_spin(house: Application) -> float:
    """Wait until the frame that stands still is noticed, and return the rig's time."""
    state = house.supervisor.state
    assert state is not None
    assert (state.index, state.step) == (1, Step.SPIN)
    while house.supervisor.state is None or not house.supervisor.state.halted:
        await house.clock.sleep(0.2)
    now = house.service.snapshot()
    assert now.coat == 2
    assert now.sentence
    return now.now_s


@pytest.mark.parametrize("kept", [None, "{", "early"])
def test_a_lost_note_of_the_clock_starts_no_clock_before_the_last_event(
    tmp_path: Path, kept: str | None
) -> None:
    """A clock that began at 0 again left the sheet at 'Keep turning' before a frame at rest."""
    folder = tmp_path / "data"
    shutil.copytree(good_folder(), folder)
    if kept == "early":
        kept = SystemClock().anchor().to_json()
    with closing(sqlite3.connect(folder / "record.sqlite")) as db:
        db.execute("DELETE FROM notes WHERE name = 'anchor'")
        if kept is not None:
            db.execute("INSERT INTO notes VALUES ('anchor', ?)", (kept,))
        db.commit()
    with closing(Journal(folder / "record.sqlite")) as journal:
        last_s = journal.events(journal.unfinished())[-1].at_s
        clock = resumed(journal, sample_rig(), 1.0)
        assert clock.now_s() == pytest.approx(last_s, abs=60.0)
        assert "lost or damaged" in clock_in_doubt(clock)

    async def live() -> None:
        async with open_application(Setup(spec=sample_rig(), data=folder), light) as house:
            assert "lost or damaged" in house.supervisor.notices["clock"]
            assert await halts_in_the_second_spin(house) == pytest.approx(last_s, abs=60.0)

    asyncio.run(live())


async def to_the_second_spin(shop: Any) -> asyncio.Future[Any]:
    operator = asyncio.ensure_future(shop.operator().work())
    await shop.ask("start", plan=shop.plan)
    await shop.until(lambda: shop.supervisor.state and shop.supervisor.state.index == 1)
    await shop.until(lambda: shop.supervisor.state.turning is not None)
    await shop.clock.sleep(60.0)
    return operator


@pytest.mark.parametrize("reboot", [False, True])
def test_a_brown_out_of_the_board_alone_and_with_the_pi(tmp_path: Path, reboot: bool) -> None:
    """The frame stands still, and its alert gives the reason; nothing turns by itself; it is the
    same coat."""

    async def scenario() -> None:
        clock = LoopClock()
        board = VirtualBoard(clock)
        record = tmp_path / "record.sqlite"
        async with open_shop(record=record, judges=light, board=board, clock=clock) as shop:
            operator = await to_the_second_spin(shop)
            operator.cancel()
            await asyncio.gather(operator, return_exceptions=True)
            board.reset("brown_out")
            if not reboot:
                await stands(shop, board)
        if reboot:
            async with open_shop(record=record, judges=light, board=board, clock=clock) as shop:
                await stands(shop, board)

    run_virtual(scenario())


async def stands(shop: Any, board: VirtualBoard) -> None:
    await shop.clock.sleep(10.0)
    state = shop.supervisor.state
    assert (state.index, state.step, state.halted) == (1, Step.SPIN, "fault")
    steps = board.steps()
    await shop.clock.sleep(300.0)
    assert board.steps() == steps
    assert not board.enabled()
    assert "board_reset" in {alert.kind for alert in shop.service.snapshot().alerts}


@pytest.mark.parametrize("years", [-4, 4])
def test_a_civil_clock_that_jumps_changes_no_coat(years: int) -> None:
    """The same seed with and without the jump gives the same events at the same moments."""

    async def cast(jump: timedelta) -> list[tuple[str, float]]:
        async with open_shop(judges=light) as shop:
            operator = await to_the_second_spin(shop)
            shop.clock._epoch += jump
            await shop.until(lambda: shop.supervisor.state.step is Step.PARK)
            operator.cancel()
            await asyncio.gather(operator, return_exceptions=True)
            events = await shop.service.events(shop.supervisor.state.run_id)
            return [(event.kind, event.at_s) for event in events]

    assert run_virtual(cast(years * YEAR)) == run_virtual(cast(timedelta()))


def test_a_port_that_is_taken_is_told_in_one_line() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match=f"--port is {port}: Address already in use") as told:
            listen("127.0.0.1", port)
    assert "\n" not in str(told.value)
