"""One contract for every probe: those on real buses, and that of the twin.

Special behaviour of a kind (hung buses, a broker's retained message) is tested in tests/devices,
like inputs and outputs.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from evenwall.devices.interfaces import Probe
from evenwall.devices.probes import BusProbe
from evenwall.simulation.twin.probe import NOISE_DEGC, ProbeTrouble, TwinProbe
from evenwall_bridge.clock import ManualClock
from tests.devices.test_probes import KINDS, Bus

# Five of the twin's noise; of the real ones the thermocouple's table is the coarsest, 0.1 K.
WITHIN_K = 5.0 * NOISE_DEGC


@dataclass
class Bench:
    """A probe, its medium, and a way to unplug it."""

    clock: ManualClock
    probe: Probe
    heat: Callable[[float], None]
    plug: Callable[[bool], None]


def on_a_bus(kind: str, folder: Path) -> Bench:
    bus, clock = Bus(), ManualClock(100.0)

    def heat(temp_degC: float) -> None:
        bus.temp_degC = temp_degC

    def plug(there: bool) -> None:
        bus.state = "good" if there else "gone"

    return Bench(clock, BusProbe(KINDS[kind](bus, folder), clock), heat, plug)


def simulated(_: str, __: Path) -> Bench:
    clock, around = ManualClock(100.0), {"temp_degC": 25.0}
    probe = TwinProbe(clock, 1, lambda _: around["temp_degC"], lambda _: 21.0)

    def heat(temp_degC: float) -> None:
        around["temp_degC"] = temp_degC

    def plug(there: bool) -> None:
        probe.troubles[:] = [] if there else [ProbeTrouble("lost", 0.0)]

    return Bench(clock, probe, heat, plug)


Work = Callable[[Bench], Coroutine[Any, Any, None]]
Run = Callable[[Work], None]


@pytest.fixture(params=[*KINDS, "simulated"])
def run(request: pytest.FixtureRequest, tmp_path: Path) -> Run:
    make = simulated if request.param == "simulated" else on_a_bus

    def living(work: Work) -> None:
        async def main() -> None:
            bench = make(request.param, tmp_path)
            await bench.probe.read()
            await work(bench)
            await bench.probe.close()

        asyncio.run(main())

    return living


def test_it_follows_what_it_sits_in_and_says_when(run: Run) -> None:
    async def work(bench: Bench) -> None:
        for temp_degC in (25.0, 61.5, 103.25, 18.0):
            bench.heat(temp_degC)
            await bench.clock.advance(600.0)  # a probe in resin may lag by half a minute
            reading = await bench.probe.read()
            assert reading.fault is None
            assert reading.temp_degC == pytest.approx(temp_degC, abs=WITHIN_K)
            assert reading.at_s == bench.clock.now_s()

    run(work)


def test_unplugged_is_an_answer_and_plugged_in_again_it_reads(run: Run) -> None:
    async def work(bench: Bench) -> None:
        bench.plug(False)
        for _ in range(3):
            await bench.clock.advance(1.0)
            reading = await bench.probe.read()
            assert (reading.temp_degC, reading.fault) == (None, "probe_lost")
            assert reading.at_s == bench.clock.now_s()
        bench.plug(True)
        await bench.clock.advance(600.0)
        reading = await bench.probe.read()
        assert reading.fault is None
        assert reading.temp_degC == pytest.approx(25.0, abs=WITHIN_K)

    run(work)
