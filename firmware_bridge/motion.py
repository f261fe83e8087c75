"""Rate ramps -> board segments, and the integer model that predicts the step count exactly.

The board moves in slices of 65536 cycles at 16 MHz. Within a ramp of N slices the rate at slice
boundary k is r0 + floor(k (r1 - r0) / N). A slice moves the axis by the sum of the rates at its two
ends (rates in 2^-23 steps per slice, positions in 2^-24 steps). The sums are here in closed form,
so that a day of motion is predicted at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from evenwall_bridge.contract import Ramp, Refused
from evenwall_bridge.wire import Config, Segment

CYCLES_PER_S = 16_000_000
SLICE_CYCLES = 65_536
SLICE_S = SLICE_CYCLES / CYCLES_PER_S
RATE_ONE = 1 << 23  # one step per slice
POSITION_ONE = 1 << 24  # one step
HARD_STEPS_S = 45_000  # highest clean rate of the smallest board on both axes at once
RATE_HARD_MAX = 1_546_188_227  # the same in the board's integers
RAMP_SLICES_MAX = 0xFFFFFF
GRANT_S_MAX = 14_400.0
# A limit stated in human units is met by a ramp that states the same number.
_SLACK = 1.0 + 1e-9


@dataclass(frozen=True, slots=True)
class FrameLimits:
    """Limits of the frame for the board; made from the rig file.

    steps_per_turn_*: STEP pulses per turn of the mould's axis, gearing and microsteps included.
    index_tolerance_*_deg: an index that is further off than this is slip; 0 means that the axis has
    no index switch.
    """

    steps_per_turn_major: int = 16_000
    steps_per_turn_minor: int = 16_000
    rate_limit_rpm: float = 30.0
    accel_limit_rpm_s: float = 10.0
    index_tolerance_major_deg: float = 2.0
    index_tolerance_minor_deg: float = 2.0
    park_rate_rpm: float = 4.0

    def __post_init__(self) -> None:
        for name in ("steps_per_turn_major", "steps_per_turn_minor"):
            steps = getattr(self, name)
            if not 1 <= steps <= 0xFFFFFF:
                raise Refused(f"{name} is {steps}: must be 1 to {0xFFFFFF} steps")
            rate_steps_s = steps * self.rate_limit_rpm / 60.0
            if not 0 < rate_steps_s <= HARD_STEPS_S:
                raise Refused(
                    f"rate_limit_rpm is {self.rate_limit_rpm} rpm: with {name} {steps} that is "
                    f"{rate_steps_s:.0f} steps/s, the board does 1 to {HARD_STEPS_S} steps/s"
                )
        if not 0 < self.accel_limit_rpm_s <= 10_000:
            raise Refused(f"accel_limit_rpm_s is {self.accel_limit_rpm_s} rpm/s: must be over 0")
        if not 0 < self.park_rate_rpm <= self.rate_limit_rpm:
            raise Refused(
                f"park_rate_rpm is {self.park_rate_rpm} rpm: must be over 0 and at most "
                f"{self.rate_limit_rpm} rpm"
            )

    @property
    def steps_per_turn(self) -> tuple[int, int]:
        return self.steps_per_turn_major, self.steps_per_turn_minor

    def config(self) -> Config:
        """Return the limits in the board's integers."""
        rates = [_rate(self.rate_limit_rpm * _SLACK, s) for s in self.steps_per_turn]
        accels = [_rate(self.accel_limit_rpm_s * SLICE_S, s) for s in self.steps_per_turn]
        rate_max = [min(math.ceil(rate), RATE_HARD_MAX) for rate in rates]
        # Rounding the two ends of a ramp can add one to its slope.
        accel_max = [min(math.ceil(accel * _SLACK) + 1, RATE_HARD_MAX) for accel in accels]
        tolerances = (self.index_tolerance_major_deg, self.index_tolerance_minor_deg)
        return Config(
            steps_per_turn=self.steps_per_turn,
            rate_max=(rate_max[0], rate_max[1]),
            accel_max=(accel_max[0], accel_max[1]),
            index_tolerance_steps=(
                min(65_535, math.ceil(tolerances[0] / 360.0 * self.steps_per_turn_major)),
                min(65_535, math.ceil(tolerances[1] / 360.0 * self.steps_per_turn_minor)),
            ),
        )


def _rate(rate_rpm: float, steps_per_turn: int) -> float:
    return rate_rpm / 60.0 * steps_per_turn * SLICE_S * RATE_ONE


def rate_of(rate_rpm: float, steps_per_turn: int) -> int:
    """Return the board's integer nearest to a rate."""
    return round(_rate(rate_rpm, steps_per_turn))


def rpm_of(rate: int, steps_per_turn: int) -> float:
    return rate / RATE_ONE / SLICE_S / steps_per_turn * 60.0


def slices_of(duration_s: float) -> int:
    return round(duration_s / SLICE_S)


def segments(
    ramps: Sequence[Ramp], limits: FrameLimits, start: tuple[int, int] = (0, 0)
) -> list[Segment]:
    """Return the ramps in the board's integers, each rounded separately, whatever the batches.

    start: rates in the board's integers at the start of the first ramp.
    Raises Refused, naming the ramp, the field, value, limit and unit, when a limit is exceeded.
    """
    config = limits.config()
    result: list[Segment] = []
    before = start
    for number, ramp in enumerate(ramps):
        rates_rpm = (ramp.major_rpm, ramp.minor_rpm)
        if not all(map(math.isfinite, (*rates_rpm, ramp.duration_s))):
            raise Refused(f"ramp {number}: {ramp} has a value that is not a number")
        slices = slices_of(ramp.duration_s)
        if not 0 < ramp.duration_s <= RAMP_SLICES_MAX * SLICE_S:
            raise Refused(
                f"ramp {number}: duration_s is {ramp.duration_s} s: must be over 0 and at most "
                f"{RAMP_SLICES_MAX * SLICE_S:.0f} s"
            )
        after = (
            rate_of(ramp.major_rpm, limits.steps_per_turn_major),
            rate_of(ramp.minor_rpm, limits.steps_per_turn_minor),
        )
        for axis, name in enumerate(("major_rpm", "minor_rpm")):
            if abs(after[axis]) > config.rate_max[axis]:
                raise Refused(
                    f"ramp {number}: {name} is {rates_rpm[axis]} rpm: at most "
                    f"{limits.rate_limit_rpm} rpm"
                )
            change_rpm = rates_rpm[axis] - rpm_of(before[axis], limits.steps_per_turn[axis])
            # The given rates are rounded: allow for the rounding.
            rounding_rpm = rpm_of(1, limits.steps_per_turn[axis])
            accel_rpm_s = max(0.0, abs(change_rpm) - rounding_rpm) / ramp.duration_s
            if accel_rpm_s > limits.accel_limit_rpm_s * _SLACK:
                raise Refused(
                    f"ramp {number}: {name} changes by {accel_rpm_s:.4g} rpm/s: at most "
                    f"{limits.accel_limit_rpm_s} rpm/s"
                )
            # A duration rounded down to whole slices must still keep the limit.
            change = abs(after[axis] - before[axis])
            slices = max(slices, 1, -(-change // config.accel_max[axis]))
        result.append(Segment(slices, *after))
        before = after
    return result


def floor_sum(n: int, m: int, a: int, b: int) -> int:
    """sum over k = 0 .. n-1 of floor((a k + b) / m), by the Euclidean descent; m > 0."""
    total = 0
    while n > 0:
        total += (n - 1) * n // 2 * (a // m) + n * (b // m)
        a, b = a % m, b % m
        top = a * n + b
        if top < m:
            break
        n, b = divmod(top, m)
        m, a = a, m
    return total


def travel(rate_before: int, rate_after: int, slices: int) -> int:
    """Travel of one axis in one ramp, in 2^-24 steps, exactly."""
    change = rate_after - rate_before
    inner = floor_sum(slices, slices, change, 0)  # floor(k change / N) for k = 0 .. N-1
    # Rates at k = 0 .. N, each inner one counted twice.
    return 2 * (slices * rate_before + inner) - rate_before + rate_after


def predict(parts: Sequence[Segment], start: tuple[int, int] = (0, 0)) -> tuple[int, int]:
    """Return the exact steps of both axes that these segments make from rest."""
    position = [POSITION_ONE // 2, POSITION_ONE // 2]
    before = start
    for part in parts:
        after = (part.major, part.minor)
        for axis in (0, 1):
            position[axis] += travel(before[axis], after[axis], part.slices)
        before = after
    return position[0] // POSITION_ONE, position[1] // POSITION_ONE


def predict_steps(ramps: Sequence[Ramp], limits: FrameLimits) -> tuple[int, int]:
    """Steps, major and minor, that these ramps make from rest. Raises Refused as `segments`."""
    return predict(segments(ramps, limits))


def move(steps: tuple[int, int], limits: FrameLimits) -> list[Segment]:
    """Segments that, from rest, turn the axes by exactly these steps and end at rest."""
    if steps == (0, 0):
        return []
    config = limits.config()
    ramp = cruise = 1
    for axis in (0, 1):
        top = rate_of(limits.park_rate_rpm, limits.steps_per_turn[axis])
        need = abs(steps[axis]) * RATE_ONE
        # A short move never reaches the park rate: speed up for half of it, then slow down.
        ramp = max(ramp, -(-min(top, math.isqrt(need * config.accel_max[axis])) //
                           config.accel_max[axis]))  # fmt: skip
        cruise = max(cruise, -(-need // top))
    cruise = max(1, cruise - ramp)
    rates = [round(s * RATE_ONE / (ramp + cruise)) for s in steps]
    parts = [
        Segment(ramp, *rates),
        Segment(cruise, *rates),
        Segment(ramp, 0, 0),
    ]
    made = predict(parts)
    if made != steps:
        raise Refused(f"move: {steps} steps cannot be met, {made} would be")
    return parts
