"""Simulated one-wire thermometer: lag, noise, steps of 1/16 degC, and faults.

DS18B20 data sheet: 12 bits are 0.0625 degC; it reports 85.0 degC before its first conversion.
The lag is that of a probe in a sleeve in resin (common practice, no source).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from evenwall.devices.interfaces import Reading
from evenwall_bridge.contract import Clock

STEP_DEGC = 0.0625
POWER_ON_DEGC = 85.0
LAG_S = 20.0
NOISE_DEGC = 0.05

Trouble = Literal["lost", "stuck", "noisy", "power_on", "out"]


@dataclass(frozen=True, slots=True)
class ProbeTrouble:
    """Fault of the probe, with its beginning and end on the rig's clock."""

    kind: Trouble
    from_s: float
    until_s: float = math.inf


class TwinProbe:
    """Implements `interfaces.Probe`: samples a simulated temperature.

    truth, room: temperatures of its medium and of its surroundings, degC at a time; None: no
    medium.
    """

    def __init__(
        self,
        clock: Clock,
        seed: int,
        truth: Callable[[float], float | None],
        room: Callable[[float], float],
        offset_degC: float = 0.0,
        lag_s: float = LAG_S,
    ) -> None:
        self._clock, self._truth, self._room = clock, truth, room
        self._random = random.Random(seed)
        self._offset_degC, self._lag_s = offset_degC, lag_s
        self._now_s = clock.now_s()
        self._temp_degC = room(self._now_s)
        self._stuck_degC: float | None = None
        self.troubles: list[ProbeTrouble] = []

    async def read(self) -> Reading:
        now_s = self._clock.now_s()
        kinds = {t.kind for t in self.troubles if t.from_s <= now_s < t.until_s}
        around = self._truth(now_s)
        if around is None or "out" in kinds:
            around = self._room(now_s)
        self._temp_degC += (around - self._temp_degC) * -math.expm1(
            (self._now_s - now_s) / self._lag_s
        )
        self._now_s = now_s
        noise_degC = 1.5 if "noisy" in kinds else NOISE_DEGC
        seen = self._temp_degC + self._offset_degC + self._random.gauss(0.0, noise_degC)
        shown = round(seen / STEP_DEGC) * STEP_DEGC
        if "lost" in kinds:
            return Reading(now_s, None, "probe_lost")
        if "power_on" in kinds:
            return Reading(now_s, POWER_ON_DEGC)
        if "stuck" in kinds:
            if self._stuck_degC is None:
                self._stuck_degC = shown
            return Reading(now_s, self._stuck_degC)
        self._stuck_degC = None
        return Reading(now_s, shown)

    async def close(self) -> None:
        return None
