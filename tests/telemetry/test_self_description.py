"""A rig that describes itself, compared with the Homie convention 5.0 on a real broker."""

from __future__ import annotations

import asyncio
import json
import random
import re
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from evenwall.model import Alert, MqttSpec, RigSpec, read_toml
from evenwall.telemetry.self_description import NODES, SelfDescription, description, values
from evenwall_bridge.clock import SystemClock
from tests.telemetry.brokers import REAL, Bench, Mosquitto, casting, until

SMALL = read_toml(Path(__file__).parents[2] / "hardware" / "rigs" / "small.toml")
ROOT = "homie/5/small-frame"
pytestmark = pytest.mark.timeout(40)


def rig(port: int) -> RigSpec:
    mqtt = MqttSpec(host="127.0.0.1", port=port, self_description=True, period_s=0.1)
    return RigSpec.model_validate(SMALL | {"mqtt": mqtt.model_dump()})


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    mosquitto = Mosquitto(tmp_path)
    yield mosquitto
    mosquitto.kill()


@asynccontextmanager
async def heard(port: int) -> AsyncIterator[dict[str, str]]:
    """Return everything below the rig's topic at present, without removed topics."""
    found: dict[str, str] = {}

    async def listen(client: aiomqtt.Client) -> None:
        async for message in client.messages:
            name = str(message.topic).removeprefix(f"{ROOT}/")
            text = bytes(message.payload).decode()
            if text:
                found[name] = text
            else:
                found.pop(name, None)

    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe(f"{ROOT}/#", qos=2)
        task = asyncio.create_task(listen(client))
        try:
            yield found
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


def accepted(text: str, about: dict[str, Any]) -> bool:
    """Whether a payload is valid for its property (convention, 'Payload' and 'Formats')."""
    match about["datatype"]:
        case "boolean":
            return text in ("true", "false")
        case "integer":
            return re.fullmatch(r"-?\d+", text) is not None
        case "float":
            return re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", text) is not None
        case "enum":
            return text in about["format"].split(",")
    return True


def test_it_stands_described_with_every_value(broker: Mosquitto) -> None:
    async def scenario() -> None:
        await broker.start()
        alert = Alert(kind="cold_room", sentence="Cold.", severity="caution", since_s=0.0)
        source = Bench(**casting(alerts=(alert,)))
        told = SelfDescription(rig(broker.port), source, REAL, random.Random(1))
        task = asyncio.create_task(told.run())
        async with heard(broker.port) as found:
            await until(lambda: found.get("$state") == "ready", "ready")
            about = json.loads(found["$description"])
            assert about["homie"] == "5.0"
            assert isinstance(about["version"], int)
            for node, body in about["nodes"].items():
                for key, one in body["properties"].items():
                    assert re.fullmatch(r"[a-z0-9-]+", key)
                    text = found.get(f"{node}/{key}")
                    assert text is None or accepted(text, one), (node, key, text)
            assert found["cure/probe"] == "31.5"
            assert found["casting/step"] == "spin"
            assert found["$alert/cold-room"] == "Cold."
            assert "cure/room" not in found  # nobody knows it
            source.set(probe_degC=None, alerts=())
            await until(lambda: "cure/probe" not in found, "the value gone")
            await until(lambda: "$alert/cold-room" not in found, "the alert gone")
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            await until(lambda: found.get("$state") == "disconnected", "the goodbye")

    asyncio.run(scenario())


def test_a_rig_that_is_cut_off_is_lost_and_comes_back(broker: Mosquitto) -> None:
    """The last will; then the broker itself is killed, and everything is told again."""

    async def scenario() -> None:
        await broker.start()
        told = SelfDescription(
            rig(broker.port), Bench(**casting()), SystemClock(20.0), random.Random(1)
        )
        task = asyncio.create_task(told.run())
        async with heard(broker.port) as found:
            await until(lambda: found.get("$state") == "ready", "ready")
            # Another with the same name: the broker throws the first one out (MQTT 5, 3.1.4).
            thief = f"evenwall-{ROOT.rpartition('/')[2]}-described"
            async with aiomqtt.Client("127.0.0.1", broker.port, identifier=thief):
                await until(lambda: found.get("$state") == "lost", "the last will")
            await until(lambda: found.get("$state") == "ready", "back again")
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(scenario())


def test_described_and_told_are_the_same_and_nothing_is_settable() -> None:
    about = description(rig(1883))
    told = values(Bench(**casting()).snapshot())
    assert {node: set(found) for node, found in told.items()} == {
        node: set(properties) for node, (_, properties) in NODES.items()
    }
    assert "settable" not in json.dumps(about)  # by default false


def test_the_version_changes_with_the_content() -> None:
    one = rig(1883)
    assert description(one)["version"] == description(one)["version"]
    assert description(one) != description(one.model_copy(update={"name": "Large frame"}))
