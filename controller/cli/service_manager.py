"""Tells the service manager that the controller is up and still working (sd_notify(3)).

Each message is one datagram to the socket named in NOTIFY_SOCKET. Without it nothing is sent.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from typing import Self

from evenwall_bridge.contract import Clock


class Notifier:
    """Notifier: call `ready()` once, run `keep_awake()` as a task, call `stopping()` at the end."""

    def __init__(self, address: str | None, watchdog_s: float | None) -> None:
        self.watchdog_s = watchdog_s
        self._socket: socket.socket | None = None
        if address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
            # A leading @ names an abstract socket, which begins with a zero byte.
            self._socket.connect("\0" + address[1:] if address[0] == "@" else address)

    @classmethod
    def from_environment(cls) -> Self:
        watchdog_us = os.environ.get("WATCHDOG_USEC")
        return cls(os.environ.get("NOTIFY_SOCKET"), int(watchdog_us) / 1e6 if watchdog_us else None)

    def _say(self, words: str) -> None:
        if self._socket is None:
            return
        try:
            self._socket.send(words.encode())
        except OSError:
            # The manager may be restarting: the next message may reach it. If none does, its
            # watchdog acts by itself.
            return

    def ready(self, status: str) -> None:
        self._say(f"READY=1\nSTATUS={status}")

    def stopping(self) -> None:
        self._say("STOPPING=1")

    async def keep_awake(
        self, clock: Clock, looks: Callable[[], int], status: Callable[[], str]
    ) -> None:
        """Notify three times per watchdog period while the supervisor looks, until cancelled.

        clock: wall time. looks: number of looks of the supervisor so far. If it does not rise for a
        third of the period, no message is sent, although this task lives. After a whole period of
        silence the manager restarts the controller; the board keeps turning meanwhile.
        """
        if self.watchdog_s is None:
            return
        before = -1
        while True:
            now = looks()
            if now != before:
                before = now
                self._say(f"WATCHDOG=1\nSTATUS={status()}")
            await clock.sleep(self.watchdog_s / 3)

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
