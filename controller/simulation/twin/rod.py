"""Simulated gel rod: held back by the resin of the simulated cup."""

from __future__ import annotations

from collections.abc import Callable

from evenwall.devices.interfaces import Stroke
from evenwall_bridge.contract import Clock

SERVO_S = 0.25  # of the servo's own two ways
# Of thin resin's drag on a weak spring, both ways; it grows as the viscosity does, by
# (1 - conversion over that at gel)^-2 (Castro and Macosko 1982 with a usual exponent).
DRAG_S = 0.05


class TwinRod:
    """Implements `interfaces.GelRod`.

    share: the cup's conversion over that at its gel, at a time; None if there is no cup. within_s:
    time allowed for both ways. stuck: a rod whose spring or wire is broken.
    """

    def __init__(
        self, clock: Clock, share: Callable[[float], float | None], within_s: float
    ) -> None:
        self._clock, self._share, self._within_s = clock, share, within_s
        self.stuck = False

    async def stroke(self) -> Stroke:
        now_s = self._clock.now_s()
        share = min(self._share(now_s) or 0.0, 0.999)
        lag_s = SERVO_S + DRAG_S / (1.0 - share) ** 2
        return Stroke(now_s, None if self.stuck or lag_s > self._within_s else lag_s)

    def rest(self) -> None:
        return None

    def close(self) -> None:
        return None
