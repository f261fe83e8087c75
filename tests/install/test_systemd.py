"""The datagrams of sd_notify(3), read by a stand-in for the service manager."""

from __future__ import annotations

import asyncio
import os
import socket
from pathlib import Path

import pytest

from controller.systemd import Notifier
from firmware_bridge.clock import ManualClock


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
    status: list[str | None] = ["turning"]

    async def main() -> None:
        clock = ManualClock()
        notifier = Notifier("@" + name if abstract else name, 15.0)
        notifier.ready("waiting")
        assert manager.heard() == ["READY=1\nSTATUS=waiting"]
        task = asyncio.create_task(notifier.keep_awake(clock, lambda: status[0]))
        await clock.advance(0.0)
        assert manager.heard() == ["WATCHDOG=1\nSTATUS=turning"]
        await clock.advance(15.0)
        assert len(manager.heard()) == 3  # three times a period
        status[0] = None  # the run no longer turns over: silence, and the manager acts
        await clock.advance(15.0)
        assert manager.heard() == []
        task.cancel()
        notifier.stopping()
        assert manager.heard() == ["STOPPING=1"]
        notifier.close()

    asyncio.run(main())
    manager.socket.close()


def test_without_a_manager_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NOTIFY_SOCKET", "WATCHDOG_USEC"):
        monkeypatch.delenv(name, raising=False)
    notifier = Notifier.from_environment()
    notifier.ready("here")
    asyncio.run(notifier.keep_awake(ManualClock(), lambda: "here"))
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
