"""Gel rod on the Pi's pins: a small servo, a weak spring and a switch that detects the rod.

The servo's horn pulls a disposable rod through a weak spring, never directly. In thin resin the rod
follows at once, in thick resin later, in a gel not at all: the spring gives, and nothing is forced.
This is the principle of plunger gel timers and of ISO 2535 (gel time of unsaturated polyester
resins; title from memory). A switch on the rod's own shaft shows the side of the rod, so a servo
that turns without its rod is detected.
"""

from __future__ import annotations

import logging

from gpiozero import AngularServo, DigitalInputDevice, GPIOZeroError
from gpiozero.pins import Factory

from evenwall.devices.gpio import ROD_PINS
from evenwall.devices.interfaces import Stroke
from evenwall.errors import InputError
from evenwall.model import GelRodSpec
from evenwall_bridge.contract import Clock

log = logging.getLogger("evenwall.gel_rod")

LOOK_S = 0.05  # time between two looks at the switch
_TRAVEL_DEG = 90.0  # travel of a hobby servo to either side (common practice, no source)


class GpioGelRod:
    """Implements `interfaces.GelRod`.

    The switch is closed to ground while the rod is on the far side, so that a broken wire reads as
    a rod that does not follow.
    """

    def __init__(
        self, spec: GelRodSpec, pins: dict[str, int], clock: Clock, factory: Factory
    ) -> None:
        """Open the pins. Raises InputError if the rig file names none for servo or switch."""
        missing = [name for name in ROD_PINS if name not in pins]
        if missing:
            raise InputError(f"pins.{missing[0]}", "missing", "is required for [gel_rod]")
        self._spec, self._clock = spec, clock
        self._servo = AngularServo(
            pins["gel_rod_servo"],
            initial_angle=None,
            min_angle=-_TRAVEL_DEG,
            max_angle=_TRAVEL_DEG,
            pin_factory=factory,
        )
        self._far = DigitalInputDevice(pins["gel_rod_far"], pull_up=True, pin_factory=factory)

    async def stroke(self) -> Stroke:
        began_s = self._clock.now_s()
        try:
            followed = await self._swing(far=True) and await self._swing(far=False)
        except (GPIOZeroError, OSError) as error:
            log.warning("the gel rod failed: %s", error)
            followed = False
        self.rest()
        return Stroke(began_s, self._clock.now_s() - began_s if followed else None)

    async def _swing(self, *, far: bool) -> bool:
        """Pull the rod to one side and return whether it arrived in time."""
        self._servo.angle = self._spec.swing_deg if far else -self._spec.swing_deg
        until_s = self._clock.now_s() + self._spec.follows_within_s
        while bool(self._far.is_active) != far:
            if self._clock.now_s() >= until_s:
                return False
            await self._clock.sleep(LOOK_S)
        return True

    def rest(self) -> None:
        try:
            self._servo.detach()
        except (GPIOZeroError, OSError) as error:
            log.warning("the gel rod's servo cannot be released: %s", error)

    def close(self) -> None:
        self.rest()
        self._servo.close()
        self._far.close()
