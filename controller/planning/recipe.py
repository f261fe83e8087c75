"""Spin recipes: a few numbers that describe how one coat is turned, and the resulting ramps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from evenwall.model import CoatClock, Ramp, RigSpec, StartAngles, Vector3
from evenwall.numerics.spin import Leg, Profile, law_peaks, park_deg, ramped, realise
from evenwall.units import rad_s, rpm

ON_AXIS_DEG = 5.0  # an opening this near to the minor axis counts as lying on it
MOST_BIAS = 0.9  # of 1, at which the axis would stand still
GOLDEN = 0.5 * (1 + 5**0.5)

Time = TypeVar("Time")


@dataclass(frozen=True)
class Recipe:
    """Spin of one coat: spread slowly, then turn, with a late leg that sends resin to the rim or
    the floor.

    Speeds are the faster axis's, rpm; ratio is major:minor; `reverse` turns the minor axis the
    other way. Times are shares of the time from the start of the spin to the expected gel. Biases
    count towards the opening: a negative one thickens the rim, a positive one the floor, whichever
    way the opening faces. Slow turning carries resin over ridges that would drain, fast turning
    leaves a smooth wall smooth: coats of both kinds complement each other. `stand` is the number of
    the time to pour, 0 the earliest: resin poured later flows less far, and is carried less far off
    by a motor's unevenness. `coat` is the number of the coat in the plan, 0 the first: each meets a
    wall that the coats before it have warmed.
    """

    ratio: float = 2.0 + GOLDEN
    spread_rpm: float = 3.0
    spread_share: float = 0.12
    level_rpm: float = 8.0
    bias: float = 0.0
    dwell: float = 0.0
    rim_bias: float = 0.0
    rim_from: float = 0.55
    rim_share: float = 0.12
    reverse: bool = False
    start_minor_deg: float = 0.0
    stand: int = 0
    coat: int = 0


def time_of(recipe: Recipe, times: Sequence[Time]) -> Time:
    """Return the recipe's time to pour from the batch's times. A resin that may not wait as long
    has fewer times."""
    return times[min(recipe.stand, len(times) - 1)]


def in_order(recipes: Sequence[Recipe]) -> tuple[Recipe, ...]:
    """Assign a coat to each recipe: the recipe that is heaviest at the bottom comes first."""
    ranked = sorted(recipes, key=lambda r: -(r.bias + 0.1 * r.rim_bias))
    return tuple(replace(recipe, coat=k) for k, recipe in enumerate(ranked))


def speeds_rpm(fast_rpm: float, ratio: float, reverse: bool) -> tuple[float, float]:
    """Return the speeds of the major and the minor axis from the faster axis's speed and the
    ratio."""
    major, minor = (fast_rpm, fast_rpm / ratio) if ratio >= 1 else (fast_rpm * ratio, fast_rpm)
    return major, -minor if reverse else minor


def legs(recipe: Recipe, clock: CoatClock, towards_z: float) -> list[Leg]:
    """Return the recipe's legs on a coat's clock. `towards_z`: +1 where the opening faces along
    +z."""
    until_gel = clock.gel_expected_s - clock.spin_from_s
    whole = clock.spin_until_s - clock.spin_from_s
    spread_s = recipe.spread_share * until_gel
    rim_at = recipe.rim_from * until_gel
    rim_s = recipe.rim_share * until_gel if recipe.rim_bias else 0.0

    def leg(name: str, duration_s: float, fast: float, dwell: float, bias: float) -> Leg:
        major, minor = speeds_rpm(fast, recipe.ratio, recipe.reverse)
        return Leg(name, duration_s, rad_s(major), rad_s(minor), dwell, bias * towards_z)

    level = (recipe.level_rpm, recipe.dwell, recipe.bias)
    found = [leg("spread", spread_s, recipe.spread_rpm, 0.0, 0.0)]
    if rim_s:
        found.append(leg("level", rim_at - spread_s, *level))
        name = "rim" if recipe.rim_bias < 0 else "floor"
        found.append(leg(name, rim_s, recipe.level_rpm, 0.0, recipe.rim_bias))
        found.append(leg("level", whole - rim_at - rim_s, *level))
    else:
        found.append(leg("level", whole - spread_s, *level))
    return found


def within_limits(recipe: Recipe, clock: CoatClock, rig: RigSpec) -> bool:
    """Return whether the recipe makes sense and the rig can follow every leg."""
    if recipe.rim_bias and recipe.rim_from < recipe.spread_share + 0.05:
        return False
    if max(abs(recipe.bias) + recipe.dwell, abs(recipe.rim_bias)) > MOST_BIAS:
        return False
    for leg in legs(recipe, clock, 1.0):
        speed, accel = law_peaks(leg)
        if max(speed, abs(leg.minor)) > rad_s(rig.rate_limit_rpm):
            return False
        if accel > rad_s(rig.accel_limit_rpm_s):
            return False
    return True


def eased(recipe: Recipe, clock: CoatClock, rig: RigSpec) -> Recipe:
    """Return the recipe or, if the rig cannot follow it, a uniform turning that it can follow."""
    if within_limits(recipe, clock, rig):
        return recipe
    top = 0.95 * rig.rate_limit_rpm
    return replace(
        recipe,
        level_rpm=min(recipe.level_rpm, top),
        spread_rpm=min(recipe.spread_rpm, top),
        bias=0.0,
        dwell=0.0,
        rim_bias=0.0,
    )


def profile(recipe: Recipe, clock: CoatClock, rig: RigSpec, opening: Vector3) -> Profile:
    """Return the ramps in SI. They end while turning: the run parks when the coat has gelled.

    opening: its direction in the mould frame. Raises InputError if the rig cannot turn that way.
    """
    speed, accel = rad_s(rig.rate_limit_rpm), rad_s(rig.accel_limit_rpm_s)
    return realise(_legs_from(recipe, clock, opening), speed, accel, _start(recipe, opening))


def rippled(
    recipe: Recipe, ripple: float, clock: CoatClock, accel_limit_rpm_s: float, opening: Vector3
) -> Profile:
    """Return the turning of the recipe with a speed ripple once per turn of the major axis. The
    ripple is relative to the speed and has its worst phase. The ripple acts as a bias. No limit of
    the rig applies to it, because nobody commands it. Without a ripple this is `profile`
    unchecked."""
    uneven = replace(
        recipe,
        bias=recipe.bias + ripple,
        rim_bias=recipe.rim_bias + ripple if recipe.rim_bias else 0.0,
    )
    accel = rad_s(accel_limit_rpm_s)
    return ramped(_legs_from(uneven, clock, opening), accel, _start(uneven, opening))


def _legs_from(recipe: Recipe, clock: CoatClock, opening: Vector3) -> list[Leg]:
    return legs(recipe, clock, 1.0 if opening[2] >= 0 else -1.0)


def _start(recipe: Recipe, opening: Vector3) -> tuple[float, float]:
    start = start_angles(recipe, opening)
    return math.radians(start.major), math.radians(start.minor)


def ramps(found: Profile) -> tuple[Ramp, ...]:
    """Return the ramps for the plan's file."""
    return tuple(
        Ramp(leg=name, duration_s=float(d), major_rpm=rpm(float(a)), minor_rpm=rpm(float(b)))
        for name, d, a, b in zip(
            found.legs, found.duration_s, found.major, found.minor, strict=True
        )
    )


def start_angles(recipe: Recipe, opening: Vector3) -> StartAngles:
    """Return the angles at the pour, with the opening up. For an opening on the minor axis the
    recipe may choose."""
    if abs(opening[2]) >= math.cos(math.radians(ON_AXIS_DEG)) * math.hypot(*opening):
        return StartAngles(major=0.0 if opening[2] > 0 else 180.0, minor=recipe.start_minor_deg)
    major, minor = park_deg(opening)
    return StartAngles(major=major, minor=minor)
