"""Debian's mosquitto on a free loopback port, to be killed, frozen and started again."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import socket
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

from evenwall.model import (
    Answer,
    CoatView,
    Command,
    Countdown,
    MqttSpec,
    Snapshot,
    Step,
    StreamItem,
)
from evenwall.telemetry.messages import PREFIX
from evenwall_bridge.clock import SystemClock

REAL = SystemClock()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """One broker; `extra` lines go to its configuration."""

    def __init__(self, folder: Path, *extra: str, listen: str = "127.0.0.1") -> None:
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        if program is None:
            raise RuntimeError(
                "these tests need Debian's mosquitto: apt-get install mosquitto "
                "(`make test` does it by itself)"
            )
        self.port = free_port()
        self._log = folder / "mosquitto.log"
        config = folder / "mosquitto.conf"
        anonymous = [] if any("allow_anonymous" in line for line in extra) else ["true"]
        lines = [f"listener {self.port} {listen}", "max_inflight_messages 0", *extra]
        lines += [f"allow_anonymous {value}" for value in anonymous]
        if os.geteuid() == 0:
            # Otherwise it gives up its rights and cannot read the test's files.
            lines.append("user root")
        config.write_text("\n".join(lines) + "\n")
        self._command = [program, "-c", str(config)]
        self._process: subprocess.Popen[bytes] | None = None

    async def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log)
        for _ in range(500):
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                if self._process.poll() is not None:
                    break
                await REAL.sleep(0.01)
        raise RuntimeError(f"mosquitto did not start: {self._log.read_text()}")

    def kill(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


class Bench:
    """A stand-in for the service: a snapshot to change by hand, and a journal to append to."""

    def __init__(self, **fields: Any) -> None:
        self._snapshot = Snapshot(now_s=0.0, utc="", simulated=True, rig="Small frame", **fields)
        self.journal: list[StreamItem] = []
        self.more = asyncio.Event()
        self.commands: list[Command] = []
        self.pulled = 0  # rows that somebody has fetched from the journal
        self.notices: dict[str, str | None] = {}

    def snapshot(self) -> Snapshot:
        newest = self.journal[-1].item_id if self.journal else 0
        return self._snapshot.model_copy(update={"last_event_id": newest})

    def set(self, **fields: Any) -> None:
        self._snapshot = self._snapshot.model_copy(update=fields)

    def append(self, count: int) -> None:
        for _ in range(count):
            number = len(self.journal) + 1
            kind = "event" if number % 10 == 0 else "sample"
            data = {"run_id": "run-1", "at_s": float(number)}
            self.journal.append(StreamItem(item_id=number, kind=kind, data=data))
        self.more.set()

    async def watch(self, after_id: int) -> AsyncIterator[StreamItem]:
        yield StreamItem(item_id=after_id, kind="snapshot", data={})
        at = after_id
        while True:
            while at < len(self.journal):
                at += 1
                self.pulled += 1
                yield self.journal[at - 1]
            self.more.clear()
            await self.more.wait()

    def notice(self, kind: str, sentence: str | None) -> None:
        self.notices[kind] = sentence

    async def command(self, command: Command) -> Answer:
        self.commands.append(command)
        return Answer(accepted=True, sentence="Written down.")


def casting(**fields: Any) -> dict[str, Any]:
    """A snapshot's fields in the middle of a second coat."""
    coats = tuple(
        CoatView(
            coat=n,
            planned_mm=1.5,
            planned_mix_g=114.0,
            planned_part_a_g=60.0,
            planned_part_b_g=54.0,
            gel_planned_s=1500.0,
            done=n == 1,
        )
        for n in (1, 2, 3)
    )
    return {
        "run_id": "run-1",
        "casting": "Lantern globe",
        "resin": "Clear",
        "step": Step.SPIN,
        "coat": 2,
        "coats": coats,
        "sentence": "Keep turning.",
        "countdown": Countdown(kind="wait", label="expected to gel", until_s=300.0),
        "probe_degC": 31.5,
        **fields,
    }


@asynccontextmanager
async def listener(
    port: int, *, v5: bool = True, as_published: bool = False, **options: Any
) -> AsyncIterator[aiomqtt.Client]:
    """Yield another client of the broker, which receives every message."""
    version = aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311
    async with aiomqtt.Client("127.0.0.1", port, protocol=version, timeout=5, **options) as client:
        # With MQTT 5 the broker passes on how a message was published: its retain flag and its QoS.
        if as_published:
            how = SubscribeOptions(qos=2, retainAsPublished=True)
            await client.subscribe(f"{PREFIX}/#", options=how)
        else:
            await client.subscribe(f"{PREFIX}/#", qos=1)
        yield client


async def until(condition: Any, what: str, limit_s: float = 20.0) -> None:
    """Wait until something real (a process, a socket) has happened."""
    for _ in range(int(limit_s / 0.01)):
        if condition():
            return
        await REAL.sleep(0.01)
    raise AssertionError(f"not within {limit_s} s: {what}")


def spec(port: int, **fields: Any) -> MqttSpec:
    return MqttSpec(**{"port": port, "period_s": 0.5, "timeout_s": 1.0, "keepalive_s": 2, **fields})
