"""The real controller on its simulated rig with the panel served, in a separate thread."""

from __future__ import annotations

import asyncio
import shutil
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from evenwall.cli.application import (
    SAMPLES,
    SMALL_RIG,
    Application,
    Setup,
    open_application,
    sample_rig,
)
from evenwall.cli.panel import open_panel
from evenwall.devices.interfaces import Press
from evenwall.model import ScaleSpec
from evenwall_web.people import People, Role
from evenwall_web.settings import Settings

T = TypeVar("T")

# A fast resin, so that three coats fit into a test.
HURRIED = {"pot_life_min = 9.0": "pot_life_min = 4.0", "demould_min = 75.0": "demould_min = 12.0"}


def castings(folder: Path, changes: dict[str, str]) -> Path:
    """Write the sample globe with its resin, some lines of whose sheet are changed, and the other
    resin."""
    folder.mkdir()
    for name in ("lantern-globe.stl", "lantern-globe.toml", "slow-clear.toml"):
        shutil.copy(SAMPLES / name, folder)
    sheet = (SAMPLES / "quick-clear.toml").read_text(encoding="utf-8")
    for line, other in changes.items():
        assert line in sheet
        sheet = sheet.replace(line, other)
    (folder / "quick-clear.toml").write_text(sheet, encoding="utf-8")
    return folder


class RealPanel:
    """`with RealPanel(folder, speed) as panel:` one rig, one panel, one person's hands at it.

    sheet: lines of the resin's sheet that are changed. plan_budget_s: for a plan's search; 0 turns
    a usual recipe. spec: fields of the small sample rig.
    """

    def __init__(
        self,
        folder: Path,
        speed: float,
        *,
        sheet: dict[str, str] = HURRIED,
        plan_budget_s: float = 0.0,
        **spec: Any,
    ) -> None:
        self.setup = Setup(
            sample_rig(SMALL_RIG).model_copy(update={"scale": ScaleSpec(), **spec}),
            folder / "record",
            castings=castings(folder / "castings", sheet),
            speed=speed,
            plan_budget_s=plan_budget_s,
        )
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.settings = Settings(port=free.getsockname()[1])
        self.url = self.settings.address.rstrip("/")
        self.ending = False
        self._up = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    def __enter__(self) -> RealPanel:
        self._thread.start()
        if not self._up.wait(60):
            raise RuntimeError("the controller did not come up in 60 s")
        return self

    def __exit__(self, *_: object) -> None:
        self.ending = True
        self._loop.call_soon_threadsafe(self._told.set)
        self._thread.join(60)
        assert not self._thread.is_alive(), "the controller did not end"

    async def _serve(self) -> None:
        self._loop, self._told = asyncio.get_running_loop(), asyncio.Event()
        async with (
            open_application(self.setup) as application,
            open_panel(application.service, self.settings, lambda _: None) as people,
        ):
            self.application: Application = application
            self.people: People = people
            self._up.set()
            await self._told.wait()

    def call(self, do: Callable[[], T]) -> T:
        """Run a function on the controller's loop and return its result."""

        async def run() -> T:
            return do()

        return asyncio.run_coroutine_threadsafe(run(), self._loop).result(30)

    def code(self, role: Role = "operate") -> str:
        return self.call(lambda: self.people.invite(role)).code

    # --- hands at the frame and at the scale --------------------------------------------------

    def press(self) -> None:
        self.call(lambda: self.application.hand.press(Press.NEXT))

    def guard(self, closed: bool) -> None:
        board = self.application.board
        assert board is not None
        self.call(lambda: board.set_guard(closed))

    def load(self, mass_g: float) -> None:
        scale = self.application.loads
        assert scale is not None
        self.call(lambda: scale.load(mass_g))

    def tare(self) -> None:
        scale = self.application.loads
        assert scale is not None
        self.call(scale.tare)

    def unplug_the_scale(self) -> None:
        scale = self.application.loads
        assert scale is not None
        self.call(scale.unplug)
