"""A single Ctrl-C abandons no casting: the first asks for confirmation, and a second one in time
gives it up."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from evenwall.cli import serving
from evenwall.cli.application import SAMPLES, SMALL_RIG, Application, Setup, sample_rig
from evenwall.cli.signals import Signals
from evenwall.model import Step, orders, read_casting
from evenwall.planning import make_plan
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.sim_board import PtyBoard
from evenwall_web.settings import Settings


def press() -> None:
    os.kill(os.getpid(), signal.SIGINT)


def asked(
    monkeypatch: pytest.MonkeyPatch,
    step: Step,
    again: bool,
    hearing: Callable[[], None] = lambda: None,
) -> tuple[bool, list[str]]:
    """Return the answer of `_sure` in this step, and its printed text.

    again: Ctrl-C comes a second time. hearing: called when the question is printed.
    """
    shown = SimpleNamespace(snapshot=lambda: SimpleNamespace(step=step))
    application = cast(Application, SimpleNamespace(service=shown))
    said: list[str] = []
    monkeypatch.setattr(serving, "AGAIN_S", 5.0 if again else 0.05)

    def say(line: str) -> None:
        said.append(line)
        hearing()

    async def scenario() -> bool:
        loop = asyncio.get_running_loop()
        ended: asyncio.Future[Any] = loop.create_future()
        if again:
            loop.call_later(0.05, press)
        with Signals() as signals:
            return await serving._sure(application, signals, ended, say)

    return asyncio.run(scenario()), said


def test_the_first_ctrl_c_asks_and_the_casting_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    sure, said = asked(monkeypatch, Step.SPIN, again=False)
    assert not sure
    assert "The casting goes on" in said[0]


def test_a_second_ctrl_c_gives_the_casting_up(monkeypatch: pytest.MonkeyPatch) -> None:
    assert asked(monkeypatch, Step.SPIN, again=True)[0]


def test_a_second_ctrl_c_as_the_question_is_asked_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before every wait shared one handler, this Ctrl-C ended the program with the casting open."""
    assert asked(monkeypatch, Step.SPIN, again=False, hearing=press)[0]


def test_where_nothing_is_under_way_the_first_one_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    assert asked(monkeypatch, Step.IDLE, again=False) == (True, [])


def test_a_service_manager_ends_the_process_and_the_board_turns_on(tmp_path: Path) -> None:
    """The next process joins a board that has kept its speed, and continues the run."""
    setup = Setup(sample_rig(SMALL_RIG), tmp_path / "data", speed=120)
    plan = make_plan(read_casting(SAMPLES / "lantern-globe.toml"), setup.spec, time_budget_s=0.0)
    said: list[str] = []

    def say(line: str) -> None:
        said.append(line)
        if line.endswith("->  Keep turning."):
            loop = asyncio.get_running_loop()
            loop.call_later(0.5, os.kill, os.getpid(), signal.SIGTERM)

    with socket.create_server(("127.0.0.1", 0)) as free:
        settings = Settings(port=free.getsockname()[1], state_dir=tmp_path / "panel")
    casting = serving.spin(setup, settings, orders.StartOwn(plan=plan), say, scripted=True)
    assert asyncio.run(casting) is None
    assert said[-1].startswith("Ended. The board keeps turning")
    board = PtyBoard(setup.speed, setup.data / "board", detached=True)
    try:
        assert board.joined
        assert board.enabled()
        before = board.steps()
        asyncio.run(SystemClock().sleep(0.2))
        assert board.steps() != before
    finally:
        board.stop()


def test_ctrl_c_while_everything_is_opened_is_asked_about(monkeypatch: pytest.MonkeyPatch) -> None:
    """The signal came before any wait for it, and was understood as a wish to end the opening."""
    said: list[str] = []

    @asynccontextmanager
    async def opened(*_: object) -> AsyncIterator[Any]:
        press()
        shown = SimpleNamespace(snapshot=lambda: SimpleNamespace(step=Step.SPIN))
        yield SimpleNamespace(service=shown)

    async def done(*_: object) -> str:
        return "The casting was given up."

    async def never(*_: object) -> None:
        await asyncio.Event().wait()

    def say(line: str) -> None:
        said.append(line)
        if "Press Ctrl-C again" in line:
            press()

    for name, instead in (
        ("_open", opened), ("start", done), ("abandon", done), ("_until_over", never)
    ):  # fmt: skip
        monkeypatch.setattr(serving, name, instead)
    setup: Any = SimpleNamespace(spec=SimpleNamespace(backend="serial"), units="metric")
    order: Any = None
    assert asyncio.run(serving.spin(setup, cast(Any, None), order, say)) is None
    assert "The casting goes on" in said[-2]
    assert said[-1] == "The casting was given up."
