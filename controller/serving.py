"""`evenwall serve`, `spin`, `replay` and `rig`: the controller at work, with its panel or without."""

from __future__ import annotations

import asyncio
import random
import sys
import uuid
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from controller import frame
from controller.app import (
    House,
    Setup,
    open_devices,
    open_house,
    open_panel,
    open_telemetry,
    until_told,
)
from controller.errors import EvenwallError, InputError
from controller.model import Command, Plan, Snapshot, Step
from controller.plantext import clock_words
from controller.rigcheck import Bench, Found, check
from controller.systemd import Notifier
from firmware_bridge.clock import SystemClock
from web.people import People
from web.settings import Settings

Say = Callable[[str], None]
OVER = (Step.IDLE, Step.DONE, Step.ABANDONED)


@asynccontextmanager
async def _open(setup: Setup, settings: Settings, say: Say) -> AsyncIterator[House]:
    """House, telemetry and panel, and the service manager told."""
    async with (
        open_house(setup) as house,
        open_telemetry(house),
        open_panel(house, settings) as people,
    ):
        said = "simulated rig" if setup.spec.backend == "simulated" else setup.spec.port
        say(f"The panel is at {settings.address} ({setup.spec.name}, {said}).")
        say(people.invite("operate").console())
        notifier = Notifier.from_environment()
        notifier.ready(settings.address)
        watching = asyncio.create_task(
            notifier.keep_awake(SystemClock(), lambda: house.service.snapshot().sentence)
        )
        renewing = asyncio.create_task(_renew(people, house, say))
        try:
            yield house
        finally:
            notifier.stopping()
            for task in (watching, renewing):
                task.cancel()
            await asyncio.gather(watching, renewing, return_exceptions=True)
            notifier.close()


async def serve(setup: Setup, settings: Settings, say: Say) -> None:
    """Serve until told to end. A turning frame is let go of and turns on for the time granted."""
    async with _open(setup, settings, say) as house:
        await until_told(asyncio.ensure_future(house.supervisor.wait()))
