"""A hostile client on the broker: absurd payloads, huge packets, floods, retained garbage."""

from __future__ import annotations

import asyncio
import json
import logging
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from evenwall.devices.probes import MqttProbe
from evenwall.telemetry.broker import QUEUED, PACKET_bytes
from evenwall.telemetry.messages import CommandSaid
from evenwall.telemetry.publisher import signed_command
from evenwall_bridge.clock import SystemClock
from tests.support.hostile import damaged
from tests.telemetry.brokers import Bench, Mosquitto, listener, spec, until
from tests.telemetry.test_telemetry import FAST, Listening, telling

pytestmark = pytest.mark.timeout(60)
SECRET = "the shop's own"
COMMANDS = "evenwall/small-frame/command"
ABSURD = (
    b"",
    b"9" * 400,
    b"[" * 100_000,
    b'{"command":' * 30_000,
    b"\x00" * 1000,
    b"\xff" * 50_000,
)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    mosquitto = Mosquitto(tmp_path)
    yield mosquitto
    mosquitto.kill()


def command(clock: SystemClock, key: str) -> str:
    utc = clock.utc().isoformat()
    return signed_command(CommandSaid(name="pause", key=key, utc=utc, who="bench"), SECRET)


def test_a_flood_of_garbage_neither_ends_telemetry_nor_fills_the_log(
    broker: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "secret").write_text(SECRET)
    clock, source, draw = SystemClock(FAST), Bench(), random.Random(28)
    mqtt = spec(broker.port, commands=("pause",), secret_file=tmp_path / "secret")

    async def main() -> None:
        await broker.start()
        async with (
            Listening(broker.port) as other,
            listener(broker.port) as enemy,
            telling(source, mqtt, tmp_path, clock) as telemetry,
        ):
            await until(lambda: telemetry.status.states_sent > 0, "connected")
            good = command(clock, "k0").encode()
            for payload in ABSURD:
                await enemy.publish(COMMANDS, payload, qos=1)
                await enemy.publish(COMMANDS, payload[:1000], qos=1, retain=True)
            await enemy.publish(COMMANDS, b"x" * (2 * PACKET_bytes), qos=1)
            for _ in range(10 * QUEUED):
                await enemy.publish(COMMANDS, damaged(good, draw) + b" ", qos=0)
            before = telemetry.status.commands_refused
            await until(lambda: telemetry.status.commands_refused >= before, "heard")
            for number in range(100):  # the flood may have cost the first of them
                await enemy.publish(COMMANDS, command(clock, f"key-{number}"), qos=1)
                if any(answer["accepted"] for answer in other.named("answer")):
                    break
                await clock.sleep(1.0)
            assert any(answer["accepted"] for answer in other.named("answer"))
            assert all(one.name == "pause" for one in source.commands)
            assert telemetry.status.commands_refused > len(ABSURD)

    with caplog.at_level(logging.WARNING, logger="evenwall.telemetry"):
        asyncio.run(main())
    said = [line for line in caplog.messages if line.startswith("command refused")]
    # One in ten seconds of the telemetry's clock, which runs FAST; the test may take 60 s of ours.
    assert 1 <= len(said) <= 60 * FAST / 10


def test_absurd_payloads_do_not_end_a_probe(broker: Mosquitto) -> None:
    """It reports the fault of each, and trusts the next valid one."""

    async def main() -> None:
        await broker.start()
        clock = SystemClock()
        probe = MqttProbe("shop/room", spec(broker.port), clock, random.Random(1))
        async with listener(broker.port) as enemy:
            for payload in (*ABSURD, json.dumps({"temp_degC": 21.5}).encode()):
                heard = await probe.read()
                while heard.temp_degC is None and heard.fault != "probe_noisy":  # not connected yet
                    await enemy.publish("shop/room", payload, qos=1)
                    await clock.sleep(0.05)
                    heard = await probe.read()
                await enemy.publish("shop/room", payload, qos=1)
            await until(
                lambda: probe._newest is not None and probe._newest.temp_degC == 21.5, "sound"
            )
        await probe.close()

    asyncio.run(main())
