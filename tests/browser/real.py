"""The real controller on its simulated rig with the panel served, in a thread of its own."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from controller.app import SMALL_RIG, House, Setup, open_house, open_panel, sample_rig
from controller.ports import Press
from web.people import People, Role
from web.settings import Settings

T = TypeVar("T")


class RealPanel:
    """`with RealPanel(folder, speed) as panel:` one rig, one panel, one person's hands at it."""

    def __init__(self, folder: Path, speed: float) -> None:
        self._setup = Setup(sample_rig(SMALL_RIG), folder, speed=speed)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port: int = free.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._up = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    def __enter__(self) -> RealPanel:
        self._thread.start()
        if not self._up.wait(60):
            raise RuntimeError("the controller did not come up in 60 s")
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._told.set)
        self._thread.join(60)
        assert not self._thread.is_alive(), "the controller did not end"

    async def _serve(self) -> None:
        self._loop, self._told = asyncio.get_running_loop(), asyncio.Event()
        settings = Settings(port=self.port)
        async with (
            open_house(self._setup) as house,
            open_panel(house, settings, lambda _: None) as people,
        ):
            self.house: House = house
            self.people: People = people
            self._up.set()
            await self._told.wait()

    def call(self, do: Callable[[], T]) -> T:
        """Run something on the controller's own loop and give back what it returned."""

        async def run() -> T:
            return do()

        return asyncio.run_coroutine_threadsafe(run(), self._loop).result(30)

    def code(self, role: Role = "operate") -> str:
        return self.call(lambda: self.people.invite(role)).code

    # --- hands at the frame -------------------------------------------------------------------

    def press(self) -> None:
        self.call(lambda: self.house.hand.press(Press.NEXT))

    def guard(self, closed: bool) -> None:
        assert self.house.board is not None
        self.call(lambda: self.house.board and self.house.board.set_guard(closed))
