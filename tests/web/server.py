"""A real panel over the rigged service, on a loopback port, in a separate thread."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from inspect import isawaitable
from typing import Any, TypeVar

from fastapi import FastAPI

from evenwall.cli.panel import server_for
from evenwall.model import Command
from evenwall_web.app import create_app
from evenwall_web.connections import Connections
from evenwall_web.people import Role
from evenwall_web.settings import Settings
from tests.web.rigged import Rigged, open_rigged

T = TypeVar("T")


class PanelServer:
    """`with PanelServer() as panel:` serves until the block ends; nothing is left behind.

    speed: seconds of the rig's time in one real second. look_s: as in `open_rigged`.
    """

    rig: Rigged

    def __init__(
        self,
        speed: float = 1.0,
        settings: Settings | None = None,
        book: Connections | None = None,
        look_s: float | None = None,
    ) -> None:
        self.speed, self._look_s = speed, look_s
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self._settings = replace(settings or Settings(), port=self.port)
        self.url = self._settings.address.rstrip("/")
        self.book = Connections() if book is None else book
        self.ending = False
        self._up = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    def __enter__(self) -> PanelServer:
        self._thread.start()
        if not self._up.wait(60):
            raise RuntimeError("the panel did not come up in 60 s")
        return self

    def __exit__(self, *_: object) -> None:
        self.ending = True
        self._loop.call_soon_threadsafe(self._ask_to_end)
        self._thread.join(20)
        assert not self._thread.is_alive(), "the panel did not end"

    def _ask_to_end(self) -> None:
        self.app.state.closing.set()
        self._server.should_exit = True

    @asynccontextmanager
    async def _open(self) -> AsyncIterator[Any]:
        """Open the service that the panel shows, on a running clock."""
        async with open_rigged(self.speed, self._look_s) as self.rig:
            playing = asyncio.create_task(self.rig.play())
            try:
                yield self.rig.service
            finally:
                playing.cancel()
                await asyncio.gather(playing, return_exceptions=True)

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        async with self._open() as self.service:
            self.app: FastAPI = create_app(self.service, self._settings)
            self._server = server_for(self.app, self._settings, self.book)
            serving = asyncio.create_task(self._server.serve_on(self._socket))
            while not self._server.started and not serving.done():
                await asyncio.sleep(0.01)  # noqa: TID251
            self._up.set()
            await serving
            self._socket.close()

    def call(self, do: Callable[[], T | Awaitable[T]]) -> T:
        """Run a function on the server's loop and return its result."""

        async def run() -> T:
            made = do()
            return await made if isawaitable(made) else made

        return asyncio.run_coroutine_threadsafe(run(), self._loop).result(60)

    # --- as if a person had done it, without touching a page -------------------------------------

    def begin(self) -> None:
        """Take up a plan."""
        self.call(self.rig.begin)

    def turn(self) -> None:
        """Do the manual work of the first coat, until it turns."""
        self.call(self.rig.turn)

    def cast(self) -> str:
        """Do a whole casting. Return its run."""
        return self.call(self.rig.cast)

    def show(self, **fields: Any) -> None:
        """Override fields of the snapshot, for a state that a rig is seldom in."""
        self.call(lambda: self.rig.show(**fields))

    def ask(self, name: str, **data: Any) -> None:
        """Send a command as somebody beside the page does."""
        self.call(lambda: self.rig.ask(name, **data))

    def commands(self) -> list[Command]:
        """Return the commands that reached the service from a page, first times only."""
        return self.call(lambda: list(self.rig.commands))

    def code(self, role: Role = "operate") -> str:
        people: Any = self.app.state.people
        return self.call(lambda: people.invite(role)).code
