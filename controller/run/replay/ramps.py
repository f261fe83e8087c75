"""Today's ramps along a proven track, within the limits of the rig."""

from __future__ import annotations

import math

import numpy as np

from evenwall.model import (
    Ramp,
)
from evenwall.run.replay.cure_path import Floats
from evenwall.run.replay.track import PIECE_S, Limits, Place, Track

EASE_S = 20.0  # a small lag is corrected over about this time
EASE_MOST = 0.15  # by at most this share of the speed


def next_ramps(
    track: Track, due_s: Floats, place: Place, limits: Limits, until_s: float
) -> tuple[tuple[Ramp, ...], Place]:
    """Return ramps from `place` until at least `until_s` of today's coat clock, and the place where
    they end.

    due_s: from `Track.due_s`, with today's best estimates; it may differ from call to call. After
    the last knot its last turn is repeated.
    """
    want, most = track.paces(due_s, limits)
    k = int(np.searchsorted(track.profile_s, place.profile_s - 1e-6))
    at_s, rates = place.at_s, (place.major_rpm, place.minor_rpm)
    ramps: list[Ramp] = []
    while at_s < until_s:
        k = _in_time(track, due_s, k, at_s)
        if k + 1 == len(due_s):  # no similar knot before: continue at the same speeds
            ramps.append(_ramp(track, k, PIECE_S, rates))
            at_s += PIECE_S
            continue
        lag_s = track.lag_s(due_s, k, at_s) if at_s < due_s[-1] else 0.0
        k += 1
        ease = 1.0 + min(max(lag_s / EASE_S, -EASE_MOST), EASE_MOST)
        pace = min(want[k] * ease, most[k])
        duration_s, rates = _between(
            rates,
            (float(track.major_rpm[k]) * pace, float(track.minor_rpm[k]) * pace),
            float(track.turns[k] - track.turns[k - 1]),
            float(due_s[k] - due_s[k - 1]),
            limits.accel_rpm_s,
        )
        ramps.append(_ramp(track, k, duration_s, rates))
        at_s += duration_s
    return tuple(ramps), Place(float(track.profile_s[k]), at_s, *rates)


def begin_at(
    track: Track, due_s: Floats, now: Place, turned: float, limits: Limits
) -> tuple[Ramp, Place]:
    """Return the ramp from the speeds of `now`, at its `at_s`, to the place of the track that is
    due: after a stop, or after a restart that lost count.

    turned: turns of the major axis since this coat first began to turn. The ramp is lengthened by
    up to a turn so that the axis meets the track at the right angle.
    """
    want, most = track.paces(due_s, limits)
    k = min(int(np.searchsorted(due_s, now.at_s + 1.0)), len(due_s) - 1)
    pace = min(want[k], most[k])
    rates = (float(track.major_rpm[k]) * pace, float(track.minor_rpm[k]) * pace)
    before = (now.major_rpm, now.minor_rpm)
    least_s = max(abs(rates[0] - before[0]), abs(rates[1] - before[1])) / limits.accel_rpm_s
    least = 0.5 * (rates[0] + before[0]) * max(least_s, 1.0) / 60.0
    sign = math.copysign(1.0, rates[0] + before[0])
    rest = ((float(track.turns[k]) - turned - least) * sign) % 1.0
    way = least + sign * rest
    duration_s, rates = _between(before, rates, way, max(least_s, 1.0), limits.accel_rpm_s)
    ramp = _ramp(track, k, duration_s, rates)
    return ramp, Place(float(track.profile_s[k]), now.at_s + duration_s, *rates)


def _ramp(track: Track, k: int, duration_s: float, rates: tuple[float, float]) -> Ramp:
    name = track.names[track.leg[k]]
    return Ramp(leg=name, duration_s=duration_s, major_rpm=rates[0], minor_rpm=rates[1])


def _in_time(track: Track, due_s: Floats, k: int, at_s: float) -> int:
    """Return the knot to continue from: k, or the knot that is due about now and is whole turns
    earlier or later."""
    speed_rpm = abs(track.major_rpm[k])
    turn_s = 60.0 / speed_rpm if speed_rpm > 0.0 else PIECE_S
    if k > 0 and abs(at_s - due_s[k]) >= 0.75 * turn_s:
        alike = track.alike(k)
        off = np.abs(due_s[alike] - at_s)
        k = int(alike[off <= off.min() + 1e-6][-1])
    if k + 1 == len(due_s):
        alike = track.alike(k)
        alike = alike[np.abs(track.turns[k] - track.turns[alike]) > 0.5]
        return int(alike[-1]) if len(alike) else k
    return k


def _between(
    before: tuple[float, float],
    after: tuple[float, float],
    turns: float,
    wanted_s: float,
    accel_rpm_s: float,
) -> tuple[float, tuple[float, float]]:
    """Return duration and end speeds of a ramp that turns the major axis by exactly `turns`.

    If the limit forbids the wanted end speeds, they are as near to them as it allows. For an axis
    that stands still or reverses there is no such duration; then the wanted one is used.
    """
    way = 60.0 * abs(turns)
    sign = math.copysign(1.0, turns)
    v0, v1 = before[0] * sign, after[0] * sign
    if v0 < 0.0 or v1 < 0.0 or way < 1e-6 or v0 + v1 <= 0.0:
        change = max(abs(after[0] - before[0]), abs(after[1] - before[1]))
        return max(wanted_s, change / accel_rpm_s, 1e-3), after
    steep = 2.0 * accel_rpm_s * way
    v1 = min(max(v1, math.sqrt(max(v0 * v0 - steep, 0.0))), math.sqrt(v0 * v0 + steep))
    duration_s = 2.0 * way / (v0 + v1)
    room = accel_rpm_s * duration_s
    minor = min(max(after[1], before[1] - room), before[1] + room)
    return duration_s, (v1 * sign, minor)
