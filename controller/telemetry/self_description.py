"""Self-description of a rig on the broker, so that any client of the convention can show it.

It follows the Homie convention, version 5.0 (homieiot.github.io, CC BY 4.0). A retained JSON
document at `homie/5/RIG/$description` lists nodes and properties with datatype and unit. Each value
is retained below it; `$state` tells whether the rig is connected, and `$alert/ID` holds an alert.
No property is settable: no message can command the rig. Self-description is off unless the rig file
has `self_description = true`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import zlib
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import aiomqtt

from evenwall.errors import InputError
from evenwall.model import RigSpec, Snapshot, Step
from evenwall.telemetry.broker import BrokerClient, Connection, together
from evenwall.telemetry.messages import rig_id
from evenwall_bridge.contract import Clock

HOMIE = "homie/5"
QOS = 2  # recommended for retained messages

Datatype = Literal["integer", "float", "boolean", "string", "enum"]
Value = str | float | int | bool | None


class Source(Protocol):
    """Part of the service that is described."""

    def snapshot(self) -> Snapshot: ...


@dataclass(frozen=True)
class Property:
    """One property of a node: its name for people, datatype, unit and permitted values."""

    name: str
    datatype: Datatype
    unit: str = ""
    format: str = ""

    def described(self) -> dict[str, Any]:
        """Return the property in the form of the description, without default values."""
        told = {"name": self.name, "datatype": self.datatype}
        told |= {"unit": self.unit} if self.unit else {}
        return told | ({"format": self.format} if self.format else {})


NODES: dict[str, tuple[str, dict[str, Property]]] = {
    "casting": (
        "The casting",
        {
            "name": Property("Casting", "string"),
            "resin": Property("Resin", "string"),
            "step": Property("Step", "enum", format=",".join(step.value for step in Step)),
            "coat": Property("Coat", "integer", "#"),
            "coats": Property("Coats in all", "integer", "#"),
            "instruction": Property("What to do", "string"),
            "left": Property("Time left", "float", "s"),
            "person": Property("A person is asked to do something", "boolean"),
        },
    ),
    "cure": (
        "Cure and temperatures",
        {
            "probe": Property("Witness cup", "float", "°C"),
            "room": Property("Room", "float", "°C"),
            "mould": Property("Mould", "float", "°C"),
            "gel": Property("Gel, after mixing", "float", "s"),
            "gelled": Property("The coat has gelled", "boolean"),
        },
    ),
    "frame": (
        "The frame",
        {
            "major": Property("Major axis", "float", "rpm"),
            "minor": Property("Minor axis", "float", "rpm"),
            "turning": Property("It turns", "boolean"),
            "guard": Property("The guard is closed", "boolean"),
        },
    ),
}


def description(rig: RigSpec) -> dict[str, Any]:
    """Return the rig's `$description`. Its version changes with its content."""
    told: dict[str, Any] = {
        "homie": "5.0",
        "name": rig.name,
        "type": "spinning-frame",
        "nodes": {
            node: {
                "name": name,
                "properties": {key: one.described() for key, one in properties.items()},
            }
            for node, (name, properties) in NODES.items()
        },
    }
    return {"version": zlib.crc32(json.dumps(told, sort_keys=True).encode()), **told}


def values(snapshot: Snapshot) -> dict[str, dict[str, Value]]:
    """Return the value of each property, by node; None if it is not known."""
    frame, count = snapshot.frame, snapshot.countdown
    left_s = None if count is None else (count.until_s - snapshot.now_s) / snapshot.speed
    return {
        "casting": {
            "name": snapshot.casting or None,
            "resin": snapshot.resin or None,
            "step": snapshot.step.value,
            "coat": snapshot.coat,
            "coats": len(snapshot.coats),
            "instruction": snapshot.sentence,
            "left": None if left_s is None else round(left_s),
            "person": snapshot.next_button is not None and snapshot.next_button.enabled,
        },
        "cure": {
            "probe": snapshot.probe_degC,
            "room": snapshot.room_degC,
            "mould": snapshot.mould_degC,
            "gel": snapshot.gel.best_s,
            "gelled": snapshot.gel.called_at_s is not None,
        },
        "frame": {
            "major": round(frame.major.rate_rpm, 4),
            "minor": round(frame.minor.rate_rpm, 4),
            "turning": frame.mode == "turning",
            "guard": frame.guard_closed,
        },
    }


def payload(value: Value) -> str:
    """Return a value in the convention's format; an empty payload removes the topic."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def told_now(snapshot: Snapshot) -> dict[str, str]:
    """Return all values and alerts, by topic below the rig's own."""
    told = {
        f"{node}/{key}": payload(value)
        for node, found in values(snapshot).items()
        for key, value in found.items()
    }
    for alert in snapshot.alerts:
        told[f"$alert/{alert.kind.replace('_', '-')}"] = alert.sentence
    return told


class SelfDescription:
    """Publishes over a separate connection, whose last will reports that the rig is lost."""

    def __init__(self, rig: RigSpec, source: Source, clock: Clock, rng: random.Random) -> None:
        """Set up the connection. Raises InputError for settings that cannot work."""
        if rig.mqtt is None:
            raise InputError("mqtt", "missing", "is required for a self-description")
        self._rig, self._source, self._clock, self._rng = rig, source, clock, rng
        self._period_s = rig.mqtt.period_s
        self._root = f"{HOMIE}/{rig_id(rig)}"
        self._broker = Connection(
            rig.mqtt, f"evenwall-{rig_id(rig)}-described", (f"{self._root}/$state", "lost")
        )

    async def run(self) -> None:
        """Connect, publish, and connect again after a failure; ends by cancellation only."""
        await self._broker.keep(self._tell, self._clock, self._rng, lambda _: None)

    async def _publish(self, client: BrokerClient, name: str, text: str) -> None:
        await client.tell(f"{self._root}/{name}", text, QOS, retain=True, properties=None)

    async def _tell(self, client: BrokerClient) -> None:
        await self._publish(client, "$state", "init")
        about = json.dumps(description(self._rig), ensure_ascii=False)
        await self._publish(client, "$description", about)
        try:
            await together(self._tell_values(client), _until_lost(client))
        except asyncio.CancelledError:
            with contextlib.suppress(aiomqtt.MqttError):
                await self._publish(client, "$state", "disconnected")
            raise

    async def _tell_values(self, client: BrokerClient) -> None:
        """Publish changes until cancelled; the state is `ready` once all values were sent."""
        told: dict[str, str] = {}
        ready = False
        while True:
            now = told_now(self._source.snapshot())
            gone = dict.fromkeys(told.keys() - now.keys(), "")
            for name, text in {**now, **gone}.items():
                if told.get(name) != text:
                    await self._publish(client, name, text)
            told = now
            if not ready:
                await self._publish(client, "$state", "ready")
                ready = True
            await self._clock.sleep(self._period_s)


async def _until_lost(client: BrokerClient) -> None:
    """Raise MqttError when the connection breaks, even if no value changes for hours."""
    async for _ in client.messages:
        pass  # nothing is subscribed
