"""Buttons, light and buzzer on the Pi's pins, driven by gpiozero; they implement `interfaces`.

The guard switch and the drivers' enable lines are connected to the board, not to the Pi. While the
controller restarts, the frame must stay safe and a half-cured coat must keep turning. Motor power
is switched by the hard-wired stop circuit alone.

Levels are chosen so that a broken wire is noticed or safe. Buttons close to ground against the
Pi's pull-up. The stop button's contact is normally closed, so that pressed, cut or unplugged all
read as pressed.
"""

from __future__ import annotations

import logging
import math
from collections import deque
from collections.abc import Callable, Iterable
from typing import Any

from gpiozero import LED, Button, Buzzer, GPIOZeroError
from gpiozero.pins import Factory

from evenwall.devices.interfaces import Light, Press
from evenwall.errors import InputError
from evenwall.model import ProbeSpec
from evenwall_bridge.contract import Clock

log = logging.getLogger("evenwall.gpio")

BUTTONS = {"next_button": Press.NEXT, "foot_pedal": Press.NEXT, "stop_button": Press.STOP}
LIGHTS = ("light_green", "light_amber", "light_red")
ROD_PINS = ("gel_rod_servo", "gel_rod_far")
PINS = (*BUTTONS, *LIGHTS, "buzzer", *ROD_PINS)
# Lines that a probe's bus needs for itself.
BUS_LINES = {
    "digital_1wire": {4: "one-wire"},
    "infrared": {2: "I2C data", 3: "I2C clock"},
    "thermocouple_k": {8: "SPI select 0", 9: "SPI in", 10: "SPI out", 11: "SPI clock"},
    "pt100": {7: "SPI select 1", 9: "SPI in", 10: "SPI out", 11: "SPI clock"},
}
BOUNCE_S = 0.05
LONG_S = 1.5  # longer than a firm press of a gloved hand, short enough to wait for (own choice)
BEEP_S = 0.2
FLASH_S = 0.5


def bus_lines(probes: Iterable[ProbeSpec]) -> dict[int, str]:
    """Lines that these probes need, with the purpose of each."""
    return {line: use for probe in probes for line, use in BUS_LINES.get(probe.kind, {}).items()}


def check_pins(pins: dict[str, int], probes: Iterable[ProbeSpec] = ()) -> None:
    """Check that names are known, lines are on the 40-pin header, and none is used twice.

    Raises InputError.
    """
    buses = bus_lines(probes)
    for name, line in pins.items():
        if name not in PINS:
            raise InputError(f"pins.{name}", line, f"no such pin; known: {', '.join(PINS)}")
        if not 2 <= line <= 27:
            raise InputError(f"pins.{name}", line, "must be a GPIO line from 2 to 27")
        twice = [other for other, taken in pins.items() if taken == line and other != name]
        if line in buses:
            raise InputError(f"pins.{name}", line, f"is needed for a probe's {buses[line]}")
        if twice:
            raise InputError(f"pins.{name}", line, f"is taken by pins.{twice[0]} too")


def real_pins() -> Factory:
    """Return the Pi's own pins, or raise one clear line; never return simulated pins."""
    try:
        from gpiozero.pins.lgpio import LGPIOFactory

        return LGPIOFactory()
    except (ImportError, AttributeError, OSError, GPIOZeroError) as error:
        raise InputError(
            "pins",
            "set",
            f"but this machine's pins cannot be reached ({error})",
            hint="on a Pi: apt-get install python3-lgpio, user in group gpio",
        ) from None


class GpioInputs:
    """Implements `interfaces.Inputs`. gpiozero's thread notes edges, and the run fetches them.

    The next button and the pedal are one input. Released within LONG_S it gives a short press; held
    longer it gives a long one, reported while it is still down. The stop button is reported when it
    goes down.
    """

    def __init__(self, pins: dict[str, int], clock: Clock, factory: Factory) -> None:
        check_pins(pins)
        self._clock = clock
        self._presses: deque[Press] = deque(maxlen=32)
        self._edge_s: dict[str, float] = {}
        self._down_s: dict[str, float] = {}  # time at which a button was pressed, until reported
        self._buttons: dict[str, Button] = {}
        for name, press in BUTTONS.items():
            if name in pins:
                button = Button(pins[name], pull_up=True, pin_factory=factory)
                down, up = self._on_down(name, press), self._on_up(name)
                if press is Press.STOP:  # normally closed: pressed means open
                    button.when_pressed, button.when_released = up, down
                else:
                    button.when_pressed, button.when_released = down, up
                self._buttons[name] = button
        if self.held("stop_button"):
            self._presses.append(Press.STOP)

    def _on_down(self, name: str, press: Press) -> Callable[[], None]:
        def down() -> None:
            if not self._settled(name):
                return
            if press is Press.STOP:
                self._presses.append(press)
            else:
                self._down_s[name] = self._clock.now_s()

        return down

    def _on_up(self, name: str) -> Callable[[], None]:
        def up() -> None:
            self._settled(name)
            held_s = self._clock.now_s() - self._down_s.get(name, math.inf)
            if held_s >= BOUNCE_S:  # a shorter press may be contact bounce
                self._end(name, Press.NEXT if held_s < LONG_S else Press.LONG)

        return up

    def _end(self, name: str, press: Press) -> None:
        """Report a press of a button that went down, once."""
        if self._down_s.pop(name, None) is not None:
            self._presses.append(press)

    def _look(self) -> None:
        """Report a button held for LONG_S, and one tapped for less than its bounce time."""
        for name, since_s in list(self._down_s.items()):
            held_s = self._clock.now_s() - since_s
            if held_s >= LONG_S and self.held(name):
                self._end(name, Press.LONG)
            elif held_s >= BOUNCE_S and not self.held(name):
                self._end(name, Press.NEXT)

    def _settled(self, name: str) -> bool:
        """Whether the contact was quiet; contacts bounce for some milliseconds both ways."""
        now_s = self._clock.now_s()
        before_s = self._edge_s.get(name)
        self._edge_s[name] = now_s
        return before_s is None or now_s - before_s >= BOUNCE_S

    def held(self, name: str) -> bool:
        """Whether a button is down now; False if there is no such button."""
        button = self._buttons.get(name)
        return button is not None and bool(button.is_pressed) != (BUTTONS[name] is Press.STOP)

    def presses(self) -> tuple[Press, ...]:
        self._look()
        found = []
        while self._presses:
            found.append(self._presses.popleft())
        return tuple(found)

    def close(self) -> None:
        for button in self._buttons.values():
            button.close()


class GpioOutputs:
    """Implements `interfaces.Outputs`: three lamps and a buzzer, any of which may be missing."""

    def __init__(self, pins: dict[str, int], factory: Factory) -> None:
        check_pins(pins)
        self._lamps = {n: LED(pins[n], pin_factory=factory) for n in LIGHTS if n in pins}
        self._buzzer = Buzzer(pins["buzzer"], pin_factory=factory) if "buzzer" in pins else None
        self._light: Light | None = None

    def show(self, light: Light) -> None:
        if light is self._light:
            return
        self._light = light
        lit = {
            Light.READY: "light_green",
            Light.ASKING: "light_green",
            Light.TURNING: "light_amber",
            Light.MOVES_NEXT: "light_amber",
            Light.ACT_NOW: "light_red",
        }.get(light)
        flashing = light in (Light.ASKING, Light.MOVES_NEXT, Light.ACT_NOW)
        for name, lamp in self._lamps.items():
            if name != lit:
                self._try(lamp.off)
            elif flashing:
                self._try(lamp.blink, FLASH_S, FLASH_S)
            else:
                self._try(lamp.on)

    def sound(self, repeats: int) -> None:
        if self._buzzer is not None and repeats > 0:
            self._try(self._buzzer.beep, BEEP_S, BEEP_S, repeats)

    @staticmethod
    def _try(act: Callable[..., Any], *arguments: float) -> None:
        """Call a lamp or the buzzer; its failure must not stop a casting."""
        try:
            act(*arguments)
        except (GPIOZeroError, OSError) as error:
            log.warning("a lamp or the buzzer failed: %s", error)

    def close(self) -> None:
        for device in (*self._lamps.values(), self._buzzer):
            if device is not None:
                device.close()
