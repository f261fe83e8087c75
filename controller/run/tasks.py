"""Tasks of one owner on the event loop: they end together, and the first failure is raised."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any


class Tasks:
    """Group of tasks: none is lost, and none fails unnoticed."""

    def __init__(self) -> None:
        self._running: set[asyncio.Task[None]] = set()
        self.failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def spawn(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Start this work as a task on the running loop."""
        task: asyncio.Task[None] = asyncio.get_running_loop().create_task(work)
        self._running.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._running.discard(task)
        error = None if task.cancelled() else task.exception()
        if error is not None and not self.failed.done():
            self.failed.set_exception(error)

    def cancel(self) -> list[asyncio.Task[None]]:
        """Cancel every task and return those that are ending."""
        ending = list(self._running)
        for task in ending:
            task.cancel()
        return ending

    async def close(self) -> None:
        """Cancel every task and wait until all have ended."""
        await asyncio.gather(*self.cancel(), return_exceptions=True)

    async def wait(self) -> None:
        """Wait while all tasks run. Raises the error of the first that fails."""
        await asyncio.shield(self.failed)
