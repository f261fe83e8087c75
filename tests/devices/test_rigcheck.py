"""Every failure of a rig, made on purpose, is found and reported with a remedy."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from evenwall.devices import rig_check as rigcheck
from evenwall.devices.gpio import GpioInputs, GpioOutputs
from evenwall.devices.interfaces import NoInputs, NoOutputs, Probe, Reading
from evenwall.devices.rig_check import Bench, Finding, Found, check
from evenwall.model import MqttSpec, ProbeSpec, RigSpec, ScaleSpec, read_toml
from evenwall_bridge.clock import LoopClock, run_virtual
from evenwall_bridge.contract import Fault, Garbled, LinkLost, Ramp, Scale, VersionMismatch, Weight
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.motion import FrameLimits
from tests.devices.test_gpio import PINS, WiredPin

SMALL = RigSpec.model_validate(
    read_toml(Path(__file__).parents[2] / "hardware" / "rigs" / "small.toml")
)
LIMITS = FrameLimits(
    steps_per_turn_major=SMALL.major.steps_per_turn,
    steps_per_turn_minor=SMALL.minor.steps_per_turn,
    rate_limit_rpm=SMALL.rate_limit_rpm,
    accel_limit_rpm_s=SMALL.accel_limit_rpm_s,
)


class Told:
    """A probe with the readings that the test chooses."""

    def __init__(self, *readings: float | str) -> None:
        self._readings = list(readings)

    async def read(self) -> Reading:
        said = self._readings.pop(0) if len(self._readings) > 1 else self._readings[0]
        return Reading(0.0, None, said) if isinstance(said, str) else Reading(0.0, said)

    async def close(self) -> None:
        return None


async def yes(_: str) -> bool:
    return True


def found(
    spoil: Callable[[HostRig], object] = lambda rig: None,
    *,
    spec: RigSpec = SMALL,
    probe: Probe | None = None,
    person: Callable[[HostRig], Callable[[str], Awaitable[bool]]] | None = None,
    may_turn: bool = False,
    limits: FrameLimits = LIMITS,
    scale: Scale | None = None,
) -> dict[str, Finding]:
    async def main() -> dict[str, Finding]:
        clock = LoopClock()
        rig = HostRig(clock, limits)
        rig.pins.set_guard(True)
        rig.pins.set_index("major", SMALL.major.steps_per_turn, 1000)
        rig.pins.set_index("minor", SMALL.minor.steps_per_turn, 500)
        spoil(rig)
        bench = Bench(
            spec=spec,
            rig=rig,
            clock=clock,
            probes={"resin": (ProbeSpec(), probe or Told(21.5))},
            inputs=NoInputs(),
            outputs=NoOutputs(),
            person=person(rig) if person else None,
            may_turn=may_turn,
            scale=scale,
        )
        findings = {f.part: f async for f in check(bench)}
        await rig.close()
        return findings

    findings = run_virtual(main())
    for finding in findings.values():
        assert finding.found is not Found.BAD or finding.remedy, finding
        assert finding.line().count("\n") == 0
    return findings


def bad_parts(findings: dict[str, Finding]) -> set[str]:
    return {f.part for f in findings.values() if f.found is Found.BAD}


def test_a_good_rig() -> None:
    findings = found(may_turn=True)
    assert bad_parts(findings) == set()
    # 1.25 turns of 200 x 16 x 6 steps, each of three ramps rounded by less than one
    steps = int(findings["major axis"].said.split()[2])
    assert abs(steps - 24_000) <= 2
    assert findings["minor index"].found is Found.GOOD
    assert findings["resin probe (digital 1wire)"].said == "reads 21.5 degC."


def test_nothing_turns_unasked() -> None:
    enabled: list[float] = []

    def watch(rig: HostRig) -> None:
        async def enable(grant_s: float) -> None:
            enabled.append(grant_s)

        rig.enable = enable  # type: ignore[method-assign]

    assert found(watch)["motors, index"].found is Found.NOT_TRIED
    assert not enabled


@pytest.mark.parametrize(
    ("spoil", "part"),
    [
        (lambda rig: rig.pins.reset("brown_out"), "board supply"),
        (lambda rig: rig.pins.reset("watchdog"), "board"),
    ],
)
def test_latched_faults(spoil: Callable[[HostRig], object], part: str) -> None:
    assert part in bad_parts(found(spoil))


def test_a_driver_fault_refuses_to_turn() -> None:
    findings = found(lambda rig: rig.pins.set_driver_fault("minor", True), may_turn=True)
    assert "a motor driver reports a fault" in findings["minor axis"].said


def test_open_guard_refuses_to_turn() -> None:
    findings = found(lambda rig: rig.pins.set_guard(False), may_turn=True)
    assert bad_parts(findings) == {"major axis", "minor axis"}
    assert "guard" in findings["major axis"].said


def test_steps_that_do_not_come() -> None:
    def less(rig: HostRig) -> None:
        queue = rig.queue

        async def shorter(ramps: Sequence[Ramp]) -> None:
            await queue([replace(ramp, duration_s=0.8 * ramp.duration_s) for ramp in ramps])

        rig.queue = shorter  # type: ignore[method-assign]

    findings = found(less, may_turn=True)
    assert "24000" in findings["major axis"].said
    assert {"major axis", "minor axis"} <= bad_parts(findings)


def test_no_index() -> None:
    # A turn of a million steps: the mark is never met.
    findings = found(lambda rig: rig.pins.set_index("minor", 9_000_000, 4_000_000), may_turn=True)
    assert bad_parts(findings) == {"minor index"}


def test_guard_moved_by_a_person() -> None:
    def mover(rig: HostRig) -> Callable[[str], Awaitable[bool]]:
        async def move(question: str) -> bool:
            if "the guard, then" in question:
                rig.pins.set_guard(question.startswith("Close"))
            return True

        return move

    assert found(person=mover)["guard"].found is Found.GOOD
    assert "still reads closed" in found(person=lambda rig: yes)["guard"].said


def test_gearing_that_differs() -> None:
    limits = FrameLimits(rate_limit_rpm=20.0, accel_limit_rpm_s=4.0)
    findings = found(limits=limits)
    assert "19200" in findings["gearing"].said


def test_backend_that_differs() -> None:
    real = SMALL.model_copy(update={"backend": "serial", "port": "/dev/evenwall-board"})
    assert bad_parts(found(spec=real)) == {"backend"}


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (LinkLost("no such file"), "does not answer"),
        (VersionMismatch(3, 2), "the frame is not moved"),
    ],
)
def test_link(error: Exception, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    async def fail(_: HostRig) -> None:
        raise error

    monkeypatch.setattr(HostRig, "open", fail)
    findings = found(may_turn=True)
    assert bad_parts(findings) == {"link"}
    assert words in findings["link"].said
    assert findings["guard, drivers, motors, index"].found is Found.NOT_TRIED


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (("probe_lost",), "no reading in three: nothing answers"),
        ((21.0, "probe_noisy", 21.0), "1 of three readings failed"),
        ((97.0,), "reads 97.0 degC, which no workshop has"),
    ],
)
def test_probe(readings: tuple[float | str, ...], words: str) -> None:
    finding = found(probe=Told(*readings))["resin probe (digital 1wire)"]
    assert finding.found is Found.BAD
    assert words in finding.said


class Shows:
    """A scale with the display that the test chooses."""

    def __init__(self, shown: Weight | Exception) -> None:
        self.shown, self.closed = shown, False

    async def open(self) -> None:
        return None

    async def read(self) -> Weight:
        if isinstance(self.shown, Exception):
            raise self.shown
        return self.shown

    async def close(self) -> None:
        self.closed = True


@pytest.mark.parametrize(
    ("shown", "said", "remedy"),
    [
        (Weight(12.3, True), "shows 12.3 g, steady.", ""),
        (LinkLost("scale: /dev/x is silent: is it on, and sending?"), "is silent", "plug"),
        (Garbled("scale: 'ab' is not a weight in g, kg or oz"), "is not a weight", "baud"),
    ],
)
def test_scale(shown: Weight | Exception, said: str, remedy: str) -> None:
    spec = SMALL.model_copy(update={"scale": ScaleSpec(port="/dev/x")})
    scale = Shows(shown)
    finding = found(spec=spec, scale=scale)["scale"]
    assert said in finding.said
    assert remedy in finding.remedy
    assert (finding.found is Found.GOOD) == (not remedy)
    assert scale.closed


def test_no_scale_and_a_simulated_one() -> None:
    assert "typed" in found()["scale"].said
    spec = SMALL.model_copy(update={"scale": ScaleSpec()})
    assert found(spec=spec)["scale"].said == "simulated, as the rig is."


def test_every_fault_of_the_board_says_what_to_do() -> None:
    """Guard and queue faults are reported by the steps that meet them: the guard check, and turning
    an axis."""
    told = set(rigcheck._FAULTS)
    assert set(Fault) - told == {Fault.GUARD_OPEN, Fault.QUEUE_DRY}


def test_broker_that_is_not_there() -> None:
    spec = SMALL.model_copy(update={"mqtt": MqttSpec(port=1, timeout_s=1)})
    assert "refused" in found(spec=spec)["broker"].said


def test_pins_named_twice() -> None:
    spec = SMALL.model_copy(update={"pins": {"buzzer": 3, "light_red": 3}})
    assert "taken" in found(spec=spec)["rig file"].said
    spec = SMALL.model_copy(update={"pins": {"buzzer": 4}})
    assert "needed for a probe's one-wire" in found(spec=spec)["rig file"].said


def test_hands_and_eyes() -> None:
    """Buttons, lamps and buzzer with mock pins and a person who presses what is asked."""
    factory = MockFactory(pin_class=WiredPin)
    pins = {name: factory.pin(f"GPIO{line}") for name, line in PINS.items()}
    pins["stop_button"].wire(False)

    async def main(works: bool) -> dict[str, Finding]:
        clock = LoopClock()
        inputs, outputs = GpioInputs(PINS, clock, factory), GpioOutputs(PINS, factory)

        async def person(question: str) -> bool:
            await clock.sleep(1.0)
            for name in ("next_button", "foot_pedal", "stop_button"):
                if name.replace("_", " ") in question and works:
                    rest = name != "stop_button"
                    pins[name].wire(not rest)
                    await clock.sleep(0.3)
                    pins[name].wire(rest)
            return works

        rig = HostRig(clock, LIMITS)
        spec = SMALL.model_copy(update={"pins": PINS})
        bench = Bench(spec, rig, clock, {}, inputs, outputs, person)
        findings = {f.part: f async for f in check(bench)}
        await rig.close()
        inputs.close()
        outputs.close()
        return findings

    parts = {name.replace("_", " ") for name in PINS}
    assert not parts & bad_parts(run_virtual(main(True)))
    assert parts - {"stop button"} <= bad_parts(run_virtual(main(False)))
    factory.close()
