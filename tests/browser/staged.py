"""A panel with a staged service: pages in rare states of a rig, and at speeds that a rig does not
have."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from evenwall_bridge.clock import SystemClock
from tests.browser.fake_service import FakeService
from tests.web.plans import small_plan
from tests.web.server import PanelServer


class StagedPanel(PanelServer):
    """The panel's own server; its service plays a run that a test sets up."""

    service: FakeService

    @asynccontextmanager
    async def _open(self) -> AsyncIterator[Any]:
        service = FakeService(SystemClock(self.speed), speed=self.speed, plan=small_plan())
        playing = asyncio.create_task(service.play())
        try:
            yield service
        finally:
            playing.cancel()
            await asyncio.gather(playing, return_exceptions=True)

    def begin(self) -> None:
        self.call(lambda: self.service.begin())

    def turn(self) -> None:
        self.call(lambda: self.service.turn())
