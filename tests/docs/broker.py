"""A broker, and a rig in the middle of a coat that publishes to it, for the pages about MQTT."""

from __future__ import annotations

import asyncio
import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from evenwall.telemetry.publisher import Telemetry
from evenwall_bridge.clock import SystemClock
from tests.telemetry.brokers import Bench, Mosquitto, casting, spec
from tests.telemetry.test_telemetry import rig


@contextmanager
def telling_rig(folder: Path) -> Iterator[int]:
    """Yield the broker's port while the rig publishes."""
    folder.mkdir()
    broker = Mosquitto(folder)
    up, over = threading.Event(), threading.Event()

    async def tell() -> None:
        await broker.start()
        source = Bench(**casting())
        telemetry = Telemetry(
            rig(spec(broker.port, rig_id="small-frame")),
            source,
            SystemClock(),
            folder,
            random.Random(1),
        )
        telling = asyncio.create_task(telemetry.run())
        while not telemetry.status.states_sent:
            await SystemClock().sleep(0.05)
        source.append(3)
        up.set()
        await asyncio.to_thread(over.wait)
        telling.cancel()
        await asyncio.gather(telling, return_exceptions=True)

    thread = threading.Thread(target=lambda: asyncio.run(tell()))
    thread.start()
    try:
        if not up.wait(30):
            raise RuntimeError("the rig does not reach its broker")
        yield broker.port
    finally:
        over.set()
        thread.join()
        broker.kill()
