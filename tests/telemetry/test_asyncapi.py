"""The AsyncAPI document compared with the code and with the messages at a broker."""

from __future__ import annotations

import asyncio
import json
import random
from pathlib import Path
from typing import Any

import aiomqtt
import yaml
from jsonschema import Draft202012Validator

from evenwall.model import Alert
from evenwall.telemetry.messages import CommandSaid, asyncapi
from evenwall.telemetry.publisher import Telemetry, signed_command
from evenwall_bridge.clock import SystemClock
from tests.telemetry.brokers import Bench, Mosquitto, casting, listener, spec, until
from tests.telemetry.test_telemetry import FAST, rig

DOCUMENT = Path(__file__).parents[2] / "web" / "guide" / "asyncapi.yaml"


def plain() -> Any:
    return json.loads(json.dumps(asyncapi()))


def test_document_is_what_the_code_says() -> None:
    """Write it again with `python -m tests.telemetry.test_asyncapi`."""
    assert yaml.safe_load(DOCUMENT.read_text(encoding="utf-8")) == plain()


def resolve(document: dict[str, Any], pointer: str) -> Any:
    found: Any = document
    for key in pointer.removeprefix("#/").split("/"):
        found = found[key]
    return found


def test_every_reference_leads_somewhere() -> None:
    document = asyncapi()

    def walk(node: Any) -> int:
        if isinstance(node, dict):
            if "$ref" in node:
                resolve(document, node["$ref"])
            return ("$ref" in node) + sum(walk(v) for v in node.values())
        return sum(walk(v) for v in node) if isinstance(node, list) else 0

    assert walk(document) > 20
    for schema in document["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)


def held_to_its_binding(document: dict[str, Any], name: str, message: aiomqtt.Message) -> None:
    """Check QoS, retain flag and expiry against the document, as the broker passes them on."""
    (binding,) = [
        operation["bindings"]["mqtt"]
        for operation in document["operations"].values()
        if operation["channel"]["$ref"] == f"#/channels/{name}"
    ]
    assert (message.qos, bool(message.retain)) == (binding["qos"], binding["retain"]), name
    assert message.properties is not None
    expiry_s = getattr(message.properties, "MessageExpiryInterval", None)
    expected_s = binding.get("messageExpiryInterval")
    # The broker subtracts the time that the message has waited.
    assert (expiry_s is None) == (expected_s is None), name
    assert expiry_s is None or expected_s - 20 <= expiry_s <= expected_s, name


def test_a_real_broker_carries_what_the_document_says(tmp_path: Path) -> None:
    """Every channel of the document has messages, and no other channel does."""
    document = yaml.safe_load(DOCUMENT.read_text(encoding="utf-8"))
    (tmp_path / "secret").write_text("s")
    broker = Mosquitto(tmp_path)
    alert = Alert(kind="probe_lost", sentence="The probe is lost.", severity="caution", since_s=1.0)
    source = Bench(**casting(alerts=(alert,)))
    mqtt = spec(broker.port, commands=("note",), secret_file=tmp_path / "secret")
    clock = SystemClock(FAST)

    async def main() -> None:
        await broker.start()
        telemetry = Telemetry(rig(mqtt), source, clock, tmp_path, random.Random(1))
        heard: dict[str, int] = {}
        async with listener(broker.port, as_published=True) as other:
            task = asyncio.create_task(telemetry.run())
            await until(lambda: telemetry.status.states_sent, "connected")
            source.append(20)
            said = CommandSaid(name="note", key="k", utc=clock.utc().isoformat(), who="bench")
            called = {"call": "probe_lost", "urgency": "caution", "number": 1, "run_id": "r1"}
            await telemetry.call({**called, "sentence": alert.sentence})
            await other.publish("evenwall/small-frame/command", signed_command(said, "s"), qos=1)
            async for message in other.messages:
                name = message.topic.value.split("/")[2]
                channel = document["channels"][name]
                assert channel["address"] == f"evenwall/{{rig}}/{name}"
                schema = channel["messages"][name]["payload"] | {
                    "components": document["components"]
                }
                Draft202012Validator(schema).validate(json.loads(bytes(message.payload)))
                held_to_its_binding(document, name, message)
                heard[name] = heard.get(name, 0) + 1
                if set(heard) == set(document["channels"]):
                    break
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    try:
        asyncio.run(asyncio.wait_for(main(), 20))
    finally:
        broker.kill()


if __name__ == "__main__":
    DOCUMENT.parent.mkdir(exist_ok=True)
    head = (
        "# Written by python -m tests.telemetry.test_asyncapi"
        " from controller/telemetry/messages.py.\n"
    )
    text = yaml.safe_dump(plain(), sort_keys=False, width=100)
    DOCUMENT.write_text(head + text, encoding="utf-8")
