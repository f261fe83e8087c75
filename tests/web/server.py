"""A real panel over the fake service, on a loopback port, in a thread of its own."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

from fastapi import FastAPI

from evenwall.cli.panel import server_for
from evenwall_bridge.clock import SystemClock
from evenwall_web.app import create_app
from evenwall_web.connections import Connections
from evenwall_web.people import Role
from evenwall_web.settings import Settings
from tests.web.fake_service import FakeService
from tests.web.plans import small_plan

T = TypeVar("T")


class PanelServer:
    """`with PanelServer() as panel:` serves until the block ends; nothing is left behind."""

    def __init__(
        self,
        speed: float = 1.0,
        settings: Settings | None = None,
        book: Connections | None = None,
    ) -> None:
        self.speed = speed
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
        if not self._up.wait(20):
            raise RuntimeError("the panel did not come up in 20 s")
        return self

    def __exit__(self, *_: object) -> None:
        self.ending = True
        self._loop.call_soon_threadsafe(self._ask_to_end)
        self._thread.join(20)
        assert not self._thread.is_alive(), "the panel did not end"

    def _ask_to_end(self) -> None:
        self.app.state.closing.set()
        self._server.should_exit = True

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self.service = FakeService(SystemClock(self.speed), speed=self.speed, plan=small_plan())
        self.app: FastAPI = create_app(self.service, self._settings)  # type: ignore[arg-type]
        self._server = server_for(self.app, self._settings, self.book)
        playing = asyncio.create_task(self.service.play())
        serving = asyncio.create_task(self._server.serve_on(self._socket))
        while not self._server.started and not serving.done():
            await asyncio.sleep(0.01)  # noqa: TID251
        self._up.set()
        await serving
        self._socket.close()
        playing.cancel()

    def call(self, do: Callable[[], T]) -> T:
        """Run something on the server's own loop and give back what it returned."""

        async def run() -> T:
            return do()

        return asyncio.run_coroutine_threadsafe(run(), self._loop).result(10)

    def code(self, role: Role = "operate") -> str:
        people: Any = self.app.state.people
        return self.call(lambda: people.invite(role)).code
