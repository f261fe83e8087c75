"""The guide's examples are run, and its tables compared with the code."""

from __future__ import annotations

import asyncio
import json
import random
import re
import tomllib
from pathlib import Path
from typing import Any, get_args

import pytest

from evenwall.model import MqttSpec
from evenwall.telemetry.fleet import Rank
from evenwall.telemetry.messages import asyncapi
from evenwall.telemetry.publisher import Telemetry
from evenwall_bridge.clock import SIMULATED_EPOCH, SystemClock
from tests.telemetry.brokers import Bench, Mosquitto, listener, spec, until
from tests.telemetry.test_telemetry import FAST, rig

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "web" / "guide"


def page(name: str) -> str:
    return (GUIDE / name).read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)


def test_settings_shown_are_settings() -> None:
    first, second = blocks(page("mqtt.md"), "toml")
    table = tomllib.loads(first)["mqtt"] | tomllib.loads(second)
    settings = MqttSpec.model_validate(table)
    assert settings.commands == get_args(
        get_args(MqttSpec.model_fields["commands"].annotation)[0]
    )  # the page shows all that may be named


def test_topic_table_is_the_document() -> None:
    shown = set(re.findall(r"^\| `(\w+)` \|", page("mqtt.md"), re.MULTILINE))
    assert shown == set(asyncapi()["channels"])


def test_topic_table_says_how_each_is_sent() -> None:
    """The table's retain flags and QoS are those of the document, which another test compares with
    a real broker."""
    rows = re.findall(r"^\| `(\w+)` \| (yes|no|-) \| (\d) \|", page("mqtt.md"), re.MULTILINE)
    bound = {
        operation["channel"]["$ref"].split("/")[-1]: operation["bindings"]["mqtt"]
        for operation in asyncapi()["operations"].values()
    }
    assert len(rows) == len(bound)
    for name, retained, qos in rows:
        assert (bound[name]["retain"], bound[name]["qos"]) == (retained == "yes", int(qos)), name


def test_the_signing_example_is_heard(tmp_path: Path) -> None:
    (example,) = blocks(page("mqtt.md"), "python")
    # The example is of the first moment of a simulated world, and this telemetry runs in that
    # world.
    assert SIMULATED_EPOCH.isoformat() in example
    space: dict[str, Any] = {"SECRET": "of the shop"}
    exec(example, space)
    (tmp_path / "secret").write_text("of the shop\n")
    broker, source = Mosquitto(tmp_path), Bench()
    mqtt = spec(broker.port, commands=("note",), secret_file=tmp_path / "secret")

    async def main() -> None:
        await broker.start()
        telemetry = Telemetry(rig(mqtt), source, SystemClock(FAST), tmp_path, random.Random(1))
        task = asyncio.create_task(telemetry.run())
        await until(lambda: telemetry.status.states_sent, "connected")
        async with listener(broker.port) as sender:
            await sender.publish("evenwall/small-frame/command", space["payload"], qos=1)
            await until(lambda: source.commands, "the note")
        assert source.commands[0].order.model_dump() == json.loads(space["text"])["data"]
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    try:
        asyncio.run(main())
    finally:
        broker.kill()


def test_shop_page_order_is_the_code() -> None:
    numbers = re.findall(r"^\| (\d) \|", page("shop.md"), re.MULTILINE)
    assert [int(n) - 1 for n in numbers] == [int(r) for r in Rank]


def sources() -> str:
    rooms = ("controller", "web", "firmware_bridge")
    files = [
        p for room in rooms for p in (ROOT / room).rglob("*.[pj][ys]") if "vendor" not in str(p)
    ]
    return "\n".join(path.read_text(encoding="utf-8") for path in files)


@pytest.mark.parametrize("mark", ["`", "'"])
def test_trouble_table_quotes_what_is_really_said(mark: str) -> None:
    """Codes in backticks and sentences in quotes, in the column of what a person sees."""
    said = sources().lower()
    seen = [line.split("|")[1] for line in page("trouble.md").splitlines() if line.startswith("| ")]
    quoted = [q for cell in seen for q in re.findall(rf"{mark}([^{mark}]+){mark}", cell)]
    assert quoted
    missing = [q for q in quoted if q.lower() not in said]
    assert not missing
