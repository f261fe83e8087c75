"""One contract for every probe, over buses that work, garble, vanish and hang."""

from __future__ import annotations

import asyncio
import random
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from evenwall.devices import probes
from evenwall.devices.interfaces import Probe, Reading
from evenwall.devices.probes import (
    BusProbe,
    infrared,
    one_wire,
    open_probe,
    payload_degC,
    platinum,
    thermocouple,
)
from evenwall.devices.sensor_decoding import pt100_ohm, w1_degC
from evenwall.errors import InputError, ProbeFault
from evenwall.model import ProbeSpec
from evenwall_bridge.clock import ManualClock, SystemClock
from tests.devices.test_thermometry import amplifier_word, infrared_answer, scratchpad
from tests.telemetry.brokers import Mosquitto, listener, spec


class Bus:
    """Simulated sensor on the wire: set `temp_degC`, or `state` to garbled, gone or hung."""

    def __init__(self) -> None:
        self.temp_degC, self.state = 25.0, "good"
        self.release = threading.Event()
        self.measures = 0

    def read(self, good: bytes) -> bytes:
        if self.state == "hung":
            self.release.wait(20)
        if self.state == "gone":
            raise OSError(121, "Remote I/O error")
        return bytes(len(good)) if self.state == "garbled" else good


class Spi:
    def __init__(self, bus: Bus, answer: Callable[[list[int]], bytes]) -> None:
        self._bus, self._answer = bus, answer

    def xfer2(self, sent: list[int]) -> list[int]:
        return list(self._bus.read(self._answer(sent)))

    def close(self) -> None:
        return None


def make_one_wire(bus: Bus, folder: Path) -> Callable[[float | None], float]:
    device = folder / "28-000005e2fdc3"
    device.mkdir()
    (device / "w1_slave").write_text(scratchpad(0))
    real = one_wire("", folder)

    def measure(last_degC: float | None) -> float:
        text = scratchpad(round(bus.temp_degC * 16), spoil=bus.state == "garbled")
        bus.read(b"")
        (device / "w1_slave").write_text(text)
        return real(last_degC)

    return measure


def make_thermocouple(bus: Bus, _: Path) -> Callable[[float | None], float]:
    return thermocouple(lambda: Spi(bus, lambda sent: amplifier_word(bus.temp_degC, bus.temp_degC)))


def make_platinum(bus: Bus, _: Path) -> Callable[[float | None], float]:
    def answer(sent: list[int]) -> bytes:
        if sent[0] != 0:
            return b"\0\0"
        code = round(pt100_ohm(bus.temp_degC) / 430.0 * 32768) << 1
        return b"\0\x11" + code.to_bytes(2, "big") + bytes(5)

    return platinum(lambda: Spi(bus, answer), lambda: None)


def make_infrared(bus: Bus, _: Path) -> Callable[[float | None], float]:
    def transfer(address: int, command: int) -> bytes:
        return bus.read(infrared_answer(round((bus.temp_degC + 273.15) / 0.02)))

    return infrared(0x5A, transfer)


KINDS = {
    "digital_1wire": make_one_wire,
    "thermocouple_k": make_thermocouple,
    "pt100": make_platinum,
    "infrared": make_infrared,
}


@pytest.fixture(params=KINDS)
def measured(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Bus, Any]:
    bus = Bus()
    return bus, KINDS[request.param](bus, tmp_path)


def run(measured: tuple[Bus, Any], work: Callable[[Bus, Probe, ManualClock], Any]) -> None:
    async def main() -> None:
        bus, measure = measured
        clock = ManualClock(100.0)

        def counted(last_degC: float | None) -> float:
            bus.measures += 1
            return float(measure(last_degC))

        probe = BusProbe(counted, clock)
        try:
            await work(bus, probe, clock)
        finally:
            bus.release.set()
            await probe.close()

    asyncio.run(main())


def test_it_reads(measured: tuple[Bus, Any]) -> None:
    async def work(bus: Bus, probe: Probe, clock: ManualClock) -> None:
        for temp_degC in (25.0, 61.5, 103.25):
            bus.temp_degC = temp_degC
            reading = await probe.read()
            # 0.1 K: the coarsest step is the thermocouple's table error and a Pt100 count (0.03 K)
            assert reading.temp_degC == pytest.approx(temp_degC, abs=0.1)
            assert (reading.fault, reading.at_s) == (None, 100.0)

    run(measured, work)


@pytest.mark.parametrize("state", ["garbled", "gone"])
def test_a_bad_answer_is_a_fault_and_the_next_good_one_counts(
    measured: tuple[Bus, Any], state: str
) -> None:
    async def work(bus: Bus, probe: Probe, clock: ManualClock) -> None:
        await probe.read()
        bus.state = state
        reading = await probe.read()
        assert reading.temp_degC is None
        assert reading.fault in ("probe_lost", "probe_noisy")
        bus.state = "good"
        assert (await probe.read()).temp_degC == pytest.approx(25.0, abs=0.1)

    run(measured, work)


def test_the_cause_of_a_lost_probe_is_told_and_logged_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Nine zero bytes have a valid CRC (of 0): this is the answer of a line that is shorted to
    ground."""
    bus = Bus()
    measure = make_one_wire(bus, tmp_path)
    shorted = {"now": True}

    def asked(last_degC: float | None) -> float:
        if shorted["now"]:
            return float(w1_degC("00 " * 9 + ": crc=00 YES\n" + "00 " * 9 + "t=0\n", last_degC))
        return float(measure(last_degC))

    async def work() -> list[Reading]:
        probe = BusProbe(asked, ManualClock(100.0), "resin probe (digital_1wire)")
        found = [await probe.read() for _ in range(3)]
        shorted["now"] = False
        found.append(await probe.read())
        await probe.close()
        return found

    readings = asyncio.run(work())
    assert {one.why for one in readings[:3]} == {
        "only zeros: the one-wire line is shorted to ground"
    }
    assert readings[3].why == ""
    assert [record.getMessage() for record in caplog.records] == [
        "resin probe (digital_1wire): only zeros: the one-wire line is shorted to ground",
        "resin probe (digital_1wire): reads again",
    ]


def test_a_hung_bus_holds_nobody(
    measured: tuple[Bus, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(probes, "ANSWER_WITHIN_S", 0.02)

    async def work(bus: Bus, probe: Probe, clock: ManualClock) -> None:
        bus.state = "hung"
        for _ in range(3):
            assert (await probe.read()).fault == "probe_lost"
        bus.state = "good"
        bus.release.set()
        readings = [await probe.read() for _ in range(3)]
        assert readings[-1].temp_degC == pytest.approx(25.0, abs=0.1)
        # Six readings wanted, four questions asked: none while the first one was open.
        assert bus.measures <= 4

    run(measured, work)


def test_one_wire_is_named_when_it_is_missing(tmp_path: Path) -> None:
    for name in ("28-aa", "28-bb"):
        (tmp_path / name).mkdir()
    with pytest.raises(ProbeFault, match=r"28-cc not found; seen: 28-aa, 28-bb"):
        one_wire("28-cc", tmp_path)(None)
    with pytest.raises(ProbeFault, match=r"probe not found; seen: 28-aa, 28-bb"):
        one_wire("", tmp_path)(None)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"kind": "mqtt"}, "probes.address is missing"),
        ({"kind": "infrared", "address": "ninety"}, "must be hexadecimal"),
        ({"kind": "thermocouple_k", "address": "/dev/spi"}, "must be bus and select"),
    ],
)
def test_addresses(fields: dict[str, str], words: str) -> None:
    with pytest.raises(InputError, match=words):
        open_probe(ProbeSpec.model_validate(fields), ManualClock(), random.Random(1))


@pytest.mark.parametrize(
    ("payload", "temp_degC"),
    [(b"23.5", 23.5), (b" 23 ", 23.0), (b'{"temp_degC": -4.25, "battery": 3}', -4.25)],
)
def test_payloads(payload: bytes, temp_degC: float) -> None:
    assert payload_degC(payload) == temp_degC


@pytest.mark.parametrize(
    "payload",
    [b"", b"warm", b"true", b"NaN", b"Infinity", b"[20]", b'{"t": 2}', b"9999", b"\xff", b"null",
     b"9" * 400, b"-" + b"9" * 3999, b"[" * 3999, b'{"temp_degC":' * 300, b" " * 5000 + b"23.5"],
)  # fmt: skip
def test_bad_payloads(payload: bytes) -> None:
    with pytest.raises(ProbeFault):
        payload_degC(payload)


def test_mqtt_probe(tmp_path: Path) -> None:
    """A fresh message is trusted, a retained one is not, and 15 s of silence mean a lost probe."""
    broker = Mosquitto(tmp_path)
    clock = ManualClock(0.0)

    async def main() -> None:
        await broker.start()
        wanted = ProbeSpec(kind="mqtt", address="shop/cup")
        async with listener(broker.port) as sender:
            await sender.publish("shop/cup", "77", qos=1, retain=True)
            probe = open_probe(wanted, clock, random.Random(1), spec(broker.port))
            await SystemClock().sleep(0.5)
            assert (await probe.read()).fault == "probe_lost"  # the retained 77 is not believed
            # There is no sign of the probe's subscription: send until it receives something.
            heard = None
            for _ in range(200):
                await sender.publish("shop/cup", "23.5", qos=1)
                heard = (await probe.read()).temp_degC
                if heard is not None:
                    break
                await SystemClock().sleep(0.01)
            assert heard == 23.5
            await SystemClock().sleep(0.2)  # what was still on its way has arrived
            await clock.advance(14.0)
            assert (await probe.read()).temp_degC == 23.5
            await clock.advance(2.0)
            assert (await probe.read()).fault == "probe_lost"
            await sender.publish("shop/cup", "garbled", qos=1)
            for _ in range(200):
                if (await probe.read()).fault == "probe_noisy":
                    break
                await SystemClock().sleep(0.01)
            assert (await probe.read()).fault == "probe_noisy"
            await probe.close()

    try:
        asyncio.run(main())
    finally:
        broker.kill()
