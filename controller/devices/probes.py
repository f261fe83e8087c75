"""Real thermometers on the Pi; each implements `interfaces.Probe`.

Each probe reads its bus on its own thread, so a slow or hung bus never blocks the run. A probe that
does not answer in time is `probe_lost`, and is not read again before it has answered.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import random
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from evenwall.devices.interfaces import Probe, Reading
from evenwall.devices.sensor_decoding import (
    max31855_degC,
    max31865_degC,
    mlx90614_degC,
    w1_degC,
    within,
)
from evenwall.errors import InputError, ProbeFault
from evenwall.model import MqttSpec, ProbeSpec
from evenwall.telemetry.broker import BrokerClient, Connection
from evenwall_bridge.clock import block
from evenwall_bridge.contract import Clock

log = logging.getLogger("evenwall.probes")

W1_DEVICES = Path("/sys/bus/w1/devices")
ANSWER_WITHIN_S = 3.0  # a one-wire conversion takes 0.75 s
MQTT_STALE_S = 15.0
PAYLOAD_bytes = 4000  # a sensor that sends all its properties needs a few hundred
SETTLE_S = 0.1  # 10 time constants of the bias; a conversion takes 66 ms with the 50 Hz filter
_MLX_OBJECT = 0x07


class BusProbe:
    """A probe read by a blocking `measure(last_degC)`, which may raise ProbeFault or OSError."""

    def __init__(
        self, measure: Callable[[float | None], float], clock: Clock, name: str = "probe"
    ) -> None:
        """Set up the probe. name: its name in the log, such as its kind and address."""
        self._measure, self._clock, self._name = measure, clock, name
        self._told = ""
        self._thread = ThreadPoolExecutor(1, "probe")
        self._asked: asyncio.Future[float] | None = None
        self._last_degC: float | None = None

    async def read(self) -> Reading:
        if self._asked is None:
            loop = asyncio.get_running_loop()
            self._asked = loop.run_in_executor(self._thread, self._measure, self._last_degC)
        await asyncio.wait({self._asked}, timeout=ANSWER_WITHIN_S)
        if not self._asked.done():
            why = f"no answer within {ANSWER_WITHIN_S:g} s"
            return self._failed("probe_lost", why)
        answer, self._asked = self._asked, None
        try:
            self._last_degC = answer.result()
        except ProbeFault as fault:
            return self._failed(fault.kind, fault.why)
        except OSError as error:
            return self._failed("probe_lost", error.strerror or str(error))
        if self._told:
            log.warning("%s: reads again", self._name)
            self._told = ""
        return Reading(self._clock.now_s(), self._last_degC)

    def _failed(self, kind: str, why: str) -> Reading:
        """Return the fault; the log gives the cause of a lost probe once, as a warning."""
        if kind != "probe_lost":
            log.info("%s: %s", self._name, why)
        elif why != self._told:
            log.warning("%s: %s", self._name, why)
            self._told = why
        return Reading(self._clock.now_s(), None, kind, why)

    async def close(self) -> None:
        self._thread.shutdown(wait=False, cancel_futures=True)


class MqttProbe:
    """A temperature from any topic: a battery probe that turns with the mould, a room sensor.

    The payload is a number of degC, or a JSON object with `temp_degC`. A retained message is
    ignored, because its age is unknown.
    """

    def __init__(self, topic: str, broker: MqttSpec, clock: Clock, rng: random.Random) -> None:
        self._topic, self._clock = topic, clock
        self._newest: Reading | None = None
        connection = Connection(broker, f"evenwall-probe-{rng.randrange(16**8):08x}")
        self._task = asyncio.create_task(
            connection.keep(self._hear, clock, rng, lambda error: log.info("%s", error))
        )

    async def _hear(self, client: BrokerClient) -> None:
        await client.subscribe(self._topic, qos=0)
        async for message in client.messages:
            if message.retain:
                continue
            now_s = self._clock.now_s()
            try:
                self._newest = Reading(now_s, payload_degC(bytes(message.payload)))
            except ProbeFault as fault:
                log.info("%s", fault)
                self._newest = Reading(now_s, None, fault.kind, fault.why)

    async def read(self) -> Reading:
        now_s = self._clock.now_s()
        if self._newest is None or now_s - self._newest.at_s > MQTT_STALE_S:
            why = f"nothing new on {self._topic} for {MQTT_STALE_S:g} s"
            return Reading(now_s, None, "probe_lost", why)
        return self._newest

    async def close(self) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


def payload_degC(payload: bytes) -> float:
    """Decode a number, or an object with `temp_degC`; -60 to 400 degC. Raises ProbeFault."""
    found = None
    # ValueError: from JSON or UTF-8. RecursionError: nested too deep.
    with contextlib.suppress(ValueError, RecursionError):
        found = json.loads(payload) if len(payload) <= PAYLOAD_bytes else None
    if isinstance(found, dict):
        found = found.get("temp_degC")
    if isinstance(found, bool) or not isinstance(found, int | float) or not abs(found) < 1e6:
        raise ProbeFault("probe_noisy", "the payload is neither a number nor has temp_degC")
    return within(float(found), -60.0, 400.0)


def one_wire_ids(devices: Path = W1_DEVICES) -> list[str]:
    """Return the ids of the DS18B20s (family 28) that the kernel sees now."""
    return sorted(path.name for path in devices.glob("28-*"))


def one_wire(address: str, devices: Path = W1_DEVICES) -> Callable[[float | None], float]:
    """Return the reader of a DS18B20 by its id; without an id, of the only one connected."""

    def measure(last_degC: float | None) -> float:
        found = one_wire_ids(devices)
        name = address or (found[0] if len(found) == 1 else "")
        if name not in found:
            seen = ", ".join(found) or "none"
            raise ProbeFault("probe_lost", f"one-wire {address or 'probe'} not found; seen: {seen}")
        return w1_degC((devices / name / "w1_slave").read_text(encoding="ascii"), last_degC)

    return measure


def _spi(address: str, mode: int) -> Any:
    """Open an SPI device by "bus.select", as in /dev/spidev0.1; needs python3-spidev."""
    try:
        import spidev
    except ImportError:
        raise ProbeFault("probe_lost", "no spidev here: apt-get install python3-spidev") from None
    bus, _, select = address.partition(".")
    device = spidev.SpiDev()
    device.open(int(bus or 0), int(select or 0))
    device.max_speed_hz, device.mode = 500_000, mode
    return device


def thermocouple(open_spi: Callable[[], Any]) -> Callable[[float | None], float]:
    def measure(_: float | None) -> float:
        device = open_spi()
        try:
            return max31855_degC(bytes(device.xfer2([0, 0, 0, 0])))
        finally:
            device.close()

    return measure


def platinum(open_spi: Callable[[], Any], settle: Callable[[], None]) -> Callable[..., float]:
    """Return the reader of a three-wire Pt100 on a MAX31865.

    It converts one shot at a time, so that the Pt100 does not warm itself.

    settle: waits until the bias has settled or the conversion is done.
    """

    def measure(_: float | None) -> float:
        device = open_spi()
        try:
            device.xfer2([0x80, 0x93])  # bias on, three wires, clear faults, 50 Hz filter
            settle()
            device.xfer2([0x80, 0xB1])  # one conversion
            settle()
            answer = bytes(device.xfer2([0x00] + [0] * 8))[1:]
            device.xfer2([0x80, 0x11])  # bias off
            return max31865_degC(answer[1:3], answer[7])
        finally:
            device.close()

    return measure


def infrared(address: int, transfer: Callable[[int, int], bytes]) -> Callable[..., float]:
    """Return the reader of an infrared MLX90614.

    transfer(address, command): writes the command and reads three bytes in the same transaction.
    """

    def measure(_: float | None) -> float:
        return mlx90614_degC(address, _MLX_OBJECT, transfer(address, _MLX_OBJECT))

    return measure


def _i2c_transfer(address: int, command: int) -> bytes:
    try:
        from smbus2 import SMBus, i2c_msg
    except ImportError:
        raise ProbeFault("probe_lost", "no smbus2 here: apt-get install python3-smbus2") from None
    answer = i2c_msg.read(address, 3)
    with SMBus(1) as bus:
        bus.i2c_rdwr(i2c_msg.write(address, [command]), answer)
    return bytes(answer)


def open_probe(
    spec: ProbeSpec, clock: Clock, rng: random.Random, broker: MqttSpec | None = None
) -> Probe:
    """Open the probe that a rig file names. Raises InputError if its address is invalid."""
    address = spec.address
    if spec.kind == "mqtt":
        if broker is None or not address:
            raise InputError("probes.address", address or "missing", "needs a topic and [mqtt]")
        return MqttProbe(address, broker, clock, rng)
    name = f"{spec.role} probe ({' '.join(filter(None, (spec.kind, address)))})"
    if spec.kind == "digital_1wire":
        return BusProbe(one_wire(address), clock, name)
    if spec.kind == "infrared":
        try:
            number = int(address or "0x5a", 16)
        except ValueError:
            raise InputError("probes.address", address, "must be hexadecimal, as 0x5a") from None
        return BusProbe(infrared(number, _i2c_transfer), clock, name)
    if address and not all(part.isdecimal() for part in address.split(".")):
        raise InputError("probes.address", address, "must be bus and select, as 0.1")
    if spec.kind == "thermocouple_k":
        return BusProbe(thermocouple(lambda: _spi(address, 0)), clock, name)
    return BusProbe(platinum(lambda: _spi(address, 1), lambda: block(SETTLE_S)), clock, name)
