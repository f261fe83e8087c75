"""The datagrams of sd_notify(3), read by a stand-in for the service manager."""

from __future__ import annotations

import asyncio
import itertools
import os
import socket
from pathlib import Path

import pytest

from evenwall.cli.service_manager import Notifier
from evenwall_bridge.clock import ManualClock, run_virtual
from tests.support.virtual_shop import open_shop


class Manager:
    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.setblocking(False)
        self.socket.bind(address)

    def heard(self) -> list[str]:
        found = []
        while True:
            try:
                found.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return found


@pytest.mark.parametrize("abstract", [False, True])
def test_ready_watchdog_stopping(tmp_path: Path, abstract: bool) -> None:
    name = f"evenwall-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    manager = Manager("\0" + name if abstract else name)
    looks = itertools.count()

    async def main() -> None:
        clock = ManualClock()
        notifier = Notifier("@" + name if abstract else name, 15.0)
        notifier.ready("waiting")
        assert manager.heard() == ["READY=1\nSTATUS=waiting"]
        task = asyncio.create_task(
            notifier.keep_awake(clock, lambda: next(looks), lambda: "turning")
        )
        await clock.advance(0.0)
        assert manager.heard() == ["WATCHDOG=1\nSTATUS=turning"]
        await clock.advance(15.0)
        assert len(manager.heard()) == 3  # three times a period
        task.cancel()
        notifier.stopping()
        assert manager.heard() == ["STOPPING=1"]
        notifier.close()

    asyncio.run(main())
    manager.socket.close()


def test_the_watchdog_hears_the_supervisor_not_the_loop(tmp_path: Path) -> None:
    """With the real supervisor in virtual time, its ticks end without an error. The event loop and
    the task that feeds the watchdog go on, but messages to the manager stop within a third of its
    period. They resume when the supervisor looks again."""
    manager = Manager(str(tmp_path / "notify"))

    async def scenario() -> None:
        async with open_shop() as shop:
            supervisor = shop.supervisor
            notifier = Notifier(str(tmp_path / "notify"), 15.0)
            feeding = asyncio.create_task(
                notifier.keep_awake(
                    shop.clock,
                    lambda: supervisor.looks,
                    lambda: shop.service.snapshot().sentence,
                )
            )
            await shop.clock.sleep(60.0)
            assert 11 <= len(manager.heard()) <= 14  # every 5 s
            tick = next(t for t in asyncio.all_tasks() if "keep_looking" in repr(t.get_coro()))
            tick.cancel()
            await shop.clock.sleep(5.1)
            manager.heard()
            await shop.clock.sleep(60.0)
            assert manager.heard() == []
            assert not feeding.done()
            assert not supervisor.tasks.failed.done()  # nothing else would have reported it
            supervisor.tasks.spawn(supervisor.keep_looking())
            await shop.clock.sleep(10.0)
            assert manager.heard()
            feeding.cancel()
            notifier.close()

    run_virtual(scenario())
    manager.socket.close()


def test_without_a_manager_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NOTIFY_SOCKET", "WATCHDOG_USEC"):
        monkeypatch.delenv(name, raising=False)
    notifier = Notifier.from_environment()
    notifier.ready("here")
    asyncio.run(notifier.keep_awake(ManualClock(), lambda: 0, lambda: "here"))
    notifier.close()


def test_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    manager = Manager(str(tmp_path / "notify"))
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "15000000")
    notifier = Notifier.from_environment()
    assert notifier.watchdog_s == 15.0
    notifier.ready("up")
    assert manager.heard() == ["READY=1\nSTATUS=up"]
    manager.socket.close()
    (tmp_path / "notify").unlink()
    notifier.stopping()  # a manager that has gone costs nothing
    notifier.close()
