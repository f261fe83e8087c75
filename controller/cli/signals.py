"""Ctrl-C and SIGTERM for the long-running commands."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from typing import Any, Self


class Signals:
    """Context that catches Ctrl-C and SIGTERM until it is left or released.

    Enter it before anything is opened or said: a signal that comes before the first wait, or
    between two, is not lost.
    """

    def __init__(self) -> None:
        self._told: asyncio.Queue[signal.Signals] = asyncio.Queue()

    def __enter__(self) -> Self:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._told.put_nowait, number)
        return self

    def __exit__(self, *_error: object) -> None:
        self.release()

    def release(self) -> None:
        """Let the next signal end the process as usual, while everything is closed."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)

    async def wait(self, work: asyncio.Future[Any] | None = None) -> signal.Signals | None:
        """Return the signal that came, or None if the work ended first (its error is raised)."""
        telling = asyncio.ensure_future(self._told.get())
        try:
            waits: set[asyncio.Future[Any]] = {telling}
            if work is not None:
                waits.add(work)
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            if work is not None and work.done():
                work.result()
                return None
            return telling.result()
        finally:
            telling.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await telling
