"""MQTT broker inside the demo's own process, on loopback only. A real shop runs a real broker.

It speaks MQTT 3.1.1 and asks for no password, so it must never leave loopback. It is imported only
when the demo needs it, because it comes with the `demo` extra.
"""

from __future__ import annotations

from collections.abc import AsyncGenerator
from contextlib import asynccontextmanager

from amqtt.broker import Broker

from evenwall.model import MqttSpec


@asynccontextmanager
async def demo_broker(port: int) -> AsyncGenerator[MqttSpec]:
    """Run a broker on 127.0.0.1:port while the context lasts; yields its settings."""
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {
                "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
            },
        }
    )
    await broker.start()
    try:
        yield MqttSpec(port=port, version="3.1.1")
    finally:
        await broker.shutdown()
