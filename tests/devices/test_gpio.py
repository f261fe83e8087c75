"""One contract for inputs and outputs, on gpiozero's mock pins and on a real Pi's pins."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from gpiozero.pins import Factory
from gpiozero.pins.mock import MockFactory, MockPin

from evenwall.cli.application import Hand
from evenwall.devices.gpio import LIGHTS, LONG_S, GpioInputs, GpioOutputs, check_pins, real_pins
from evenwall.devices.interfaces import Inputs, Light, NoInputs, NoOutputs, Outputs, Press
from evenwall.errors import InputError
from evenwall_bridge.clock import ManualClock

PINS = {
    "next_button": 17,
    "foot_pedal": 27,
    "stop_button": 22,
    "light_green": 5,
    "light_amber": 6,
    "light_red": 13,
    "buzzer": 19,
}
ON_A_PI = os.environ.get("EVENWALL_TEST_REAL_PINS") == "1"


class WiredPin(MockPin):
    """A pin with a contact outside, which is stronger than the pull-up inside."""

    wired: bool | None = None

    def wire(self, high: bool) -> None:
        self.wired = high
        if high:
            self.drive_high()
        else:
            self.drive_low()

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        if self.wired is not None:
            self._state = self.wired


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory(pin_class=WiredPin)
    yield factory
    factory.close()


@pytest.fixture(
    params=[
        "mock",
        pytest.param(
            "real",
            marks=pytest.mark.skipif(
                not ON_A_PI, reason="on a Pi without wiring: EVENWALL_TEST_REAL_PINS=1"
            ),
        ),
        "none",
        "scripted",
    ]
)
def pair(request: pytest.FixtureRequest) -> Iterator[tuple[Inputs, Outputs]]:
    if request.param in ("none", "scripted"):
        inputs = NoInputs()
        yield (Hand(inputs) if request.param == "scripted" else inputs), NoOutputs()
        return
    factory: Factory = MockFactory() if request.param == "mock" else real_pins()
    inputs = GpioInputs(PINS, ManualClock(), factory)
    yield inputs, GpioOutputs(PINS, factory)
    factory.close()


def test_contract(pair: tuple[Inputs, Outputs]) -> None:
    inputs, outputs = pair
    inputs.presses()  # a missing stop button reads as pressed, once
    assert inputs.presses() == ()
    for light in Light:
        outputs.show(light)
        outputs.show(light)
    outputs.sound(0)
    outputs.sound(2)
    inputs.close()
    outputs.close()


class Bench:
    def __init__(self, factory: MockFactory) -> None:
        self.clock = ManualClock(10.0)
        self.factory = factory
        self.level("stop_button", True)  # its closed contact holds the line low
        self.inputs = GpioInputs(PINS, self.clock, factory)

    def level(self, name: str, down: bool) -> None:
        self.factory.pin(f"GPIO{PINS[name]}").wire(not down)


def advance(clock: ManualClock, duration_s: float) -> None:
    clock._now_s += duration_s


@pytest.mark.parametrize("name", ["next_button", "foot_pedal"])
def test_a_press_is_told_once(factory: MockFactory, name: str) -> None:
    bench = Bench(factory)
    assert bench.inputs.presses() == ()
    bench.level(name, True)
    advance(bench.clock, 0.3)
    assert bench.inputs.presses() == ()  # short or long is not known yet
    bench.level(name, False)
    assert bench.inputs.presses() == (Press.NEXT,)
    assert bench.inputs.presses() == ()


@pytest.mark.parametrize("name", ["next_button", "foot_pedal"])
def test_a_long_press_is_told_while_it_is_held(factory: MockFactory, name: str) -> None:
    bench = Bench(factory)
    bench.level(name, True)
    advance(bench.clock, LONG_S - 0.1)
    assert bench.inputs.presses() == ()
    advance(bench.clock, 0.2)
    assert bench.inputs.presses() == (Press.LONG,)
    advance(bench.clock, 5.0)  # somebody leans on the button
    assert bench.inputs.presses() == ()
    bench.level(name, False)
    assert bench.inputs.presses() == ()


def test_a_long_press_between_two_looks_is_long(factory: MockFactory) -> None:
    bench = Bench(factory)
    bench.level("next_button", True)
    advance(bench.clock, LONG_S + 0.1)
    bench.level("next_button", False)
    assert bench.inputs.presses() == (Press.LONG,)


def test_a_tap_faster_than_the_contact_bounces_is_a_press(factory: MockFactory) -> None:
    bench = Bench(factory)
    bench.level("next_button", True)
    advance(bench.clock, 0.02)
    bench.level("next_button", False)
    assert bench.inputs.presses() == ()
    advance(bench.clock, 0.1)
    assert bench.inputs.presses() == (Press.NEXT,)
    assert bench.inputs.presses() == ()


def test_bouncing_contacts_are_one_press(factory: MockFactory) -> None:
    bench = Bench(factory)
    for _ in range(7):
        bench.level("next_button", True)
        advance(bench.clock, 0.002)
        bench.level("next_button", False)
        advance(bench.clock, 0.003)
    bench.level("next_button", True)
    advance(bench.clock, 0.3)
    for _ in range(5):  # and on release
        bench.level("next_button", False)
        advance(bench.clock, 0.004)
        bench.level("next_button", True)
        advance(bench.clock, 0.004)
    bench.level("next_button", False)
    assert bench.inputs.presses() == (Press.NEXT,)
    advance(bench.clock, 0.2)
    bench.level("next_button", True)
    advance(bench.clock, 0.2)
    bench.level("next_button", False)
    assert bench.inputs.presses() == (Press.NEXT,)


def test_stop_is_an_opened_contact(factory: MockFactory) -> None:
    bench = Bench(factory)
    assert not bench.inputs.held("stop_button")
    bench.level("stop_button", False)
    assert bench.inputs.presses() == (Press.STOP,)
    assert bench.inputs.held("stop_button")
    advance(bench.clock, 1.0)
    bench.level("stop_button", True)
    assert bench.inputs.presses() == ()


def test_a_cut_stop_wire_is_a_stop_from_the_start(factory: MockFactory) -> None:
    inputs = GpioInputs(PINS, ManualClock(), factory)
    assert inputs.presses() == (Press.STOP,)
    assert inputs.presses() == ()


def test_a_button_held_at_start_is_no_press(factory: MockFactory) -> None:
    """Nothing starts if something leans on the button."""
    factory.pin("GPIO17").wire(False)
    factory.pin("GPIO22").wire(False)
    assert GpioInputs(PINS, ManualClock(), factory).presses() == ()


def test_presses_in_order_and_bounded(factory: MockFactory) -> None:
    bench = Bench(factory)
    for name in ("next_button", "foot_pedal") * 40:
        bench.level(name, True)
        advance(bench.clock, 0.1)
        bench.level(name, False)
        advance(bench.clock, 0.1)
    bench.level("stop_button", False)
    found = bench.inputs.presses()
    assert len(found) == 32
    assert found[-1] is Press.STOP  # the newest are kept


def lamps(factory: MockFactory) -> tuple[bool, ...]:
    return tuple(bool(factory.pin(f"GPIO{PINS[n]}").state) for n in PINS if "light" in n)


def test_lamps(factory: MockFactory) -> None:
    outputs = GpioOutputs(PINS, factory)
    outputs.show(Light.READY)
    assert lamps(factory) == (True, False, False)
    outputs.show(Light.TURNING)
    assert lamps(factory) == (False, True, False)
    outputs.show(Light.OFF)
    assert lamps(factory) == (False, False, False)
    for light, lit in (
        (Light.ASKING, "light_green"),
        (Light.MOVES_NEXT, "light_amber"),
        (Light.ACT_NOW, "light_red"),
    ):
        outputs.show(light)  # flashes on a thread of gpiozero's
        assert outputs._lamps[lit].is_active or outputs._lamps[lit]._blink_thread is not None
        assert not any(outputs._lamps[n].is_active for n in LIGHTS if n != lit)
    outputs.close()


def test_a_failing_lamp_is_only_logged(
    factory: MockFactory, caplog: pytest.LogCaptureFixture
) -> None:
    outputs = GpioOutputs(PINS, factory)
    outputs._lamps["light_green"].close()
    outputs.show(Light.READY)
    assert "lamp" in caplog.text
    outputs.show(Light.TURNING)
    assert lamps(factory)[1]
    outputs.close()


def test_pins_missing_are_fine(factory: MockFactory) -> None:
    inputs, outputs = GpioInputs({}, ManualClock(), factory), GpioOutputs({}, factory)
    assert inputs.presses() == ()
    outputs.show(Light.READY)
    outputs.sound(1)
    inputs.close()
    outputs.close()


@pytest.mark.parametrize(
    ("pins", "words"),
    [
        ({"horn": 4}, r"pins.horn is 4: no such pin; known: next_button"),
        ({"buzzer": 40}, r"pins.buzzer is 40: must be a GPIO line from 2 to 27"),
        ({"buzzer": 4, "light_red": 4}, r"pins.buzzer is 4: is taken by pins.light_red too"),
    ],
)
def test_pin_tables(pins: dict[str, int], words: str) -> None:
    with pytest.raises(InputError, match=words):
        check_pins(pins)


@pytest.mark.skipif(ON_A_PI, reason="this machine has pins")
def test_no_pins_is_one_clear_line() -> None:
    with pytest.raises(
        InputError, match=r"pins cannot be reached .* apt-get install python3-lgpio"
    ):
        real_pins()
