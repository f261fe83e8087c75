"""Change of the rest of a coat's spin: its ramps, and whether the rig can turn them."""

from __future__ import annotations

from collections.abc import Sequence

from evenwall.errors import InputError
from evenwall.model import Ramp, RigSpec, SpinChange
from evenwall.run import motion
from evenwall.run.motion import Profile
from evenwall_bridge.contract import BridgeError

MOST_RAMPS = 20_000  # as many as a plan's coat may have
SHORTEST_S = 0.005  # of a ramp: the board moves in slices of 4.1 ms (`evenwall_bridge.motion`)
MOST_SHORT = 4  # pieces left over at both ends of two legs
SAME_END_S = 1.0  # a change lasts as long as the planned rest, within this (our choice)
SAME_S = 1e-6  # two moments of a profile closer than this are one
_SLACK = 1.0 + 1e-6  # for the rounding of figures that are exactly at a limit
THICKEST_mm = 1000.0  # as `model.bounds.Wall_mm`


def changed_ramps(ramps: Sequence[Ramp], change: SpinChange) -> tuple[Ramp, ...]:
    """Return a coat's ramps up to a change's moment, followed by those of the change."""
    kept: list[Ramp] = []
    now_s, before = 0.0, (0.0, 0.0)
    for ramp in ramps:
        left_s = change.from_profile_s - now_s
        if left_s <= SAME_S:
            break
        now_s += ramp.duration_s
        if now_s <= change.from_profile_s + SAME_S:
            kept.append(ramp)
            before = (ramp.major_rpm, ramp.minor_rpm)
            continue
        share = left_s / ramp.duration_s
        cut = {
            "duration_s": left_s,
            "major_rpm": before[0] + share * (ramp.major_rpm - before[0]),
            "minor_rpm": before[1] + share * (ramp.minor_rpm - before[1]),
        }
        kept.append(ramp.model_copy(update=cut))
    return (*kept, *change.ramps)


def spun_ramps(ramps: Sequence[Ramp], changes: Sequence[SpinChange]) -> tuple[Ramp, ...]:
    """Return a coat's planned ramps with all these changes, in the order in which they came."""
    for change in changes:
        ramps = changed_ramps(ramps, change)
    return tuple(ramps)


def check_change(ramps: Sequence[Ramp], change: SpinChange, rig: RigSpec) -> None:
    """Raise InputError unless this rig can turn a coat's ramps with this change.

    The change must begin within the planned turning and end with it, never come to a standstill,
    and stay within the rig's speed and acceleration, also where it leaves the planned speeds.
    """
    _figures(change)
    planned = Profile.along(ramps)
    from_s, until_s = change.from_profile_s, planned.ends_s[-1]
    if not 0.0 < from_s < until_s:
        limit = f"must be within the planned turning, 0 to {until_s:.1f} s"
        raise InputError("the start of the changed spin", f"{from_s:.1f}", limit, unit="s")
    if not 0 < len(change.ramps) <= MOST_RAMPS:
        limit = f"must have 1 to {MOST_RAMPS} ramps"
        raise InputError("the changed spin", len(change.ramps), limit, unit="ramps")
    short = sum(not one.duration_s >= SHORTEST_S for one in change.ramps)
    if short > MOST_SHORT:
        limit = f"must be at most {MOST_SHORT}: the board lengthens each to {SHORTEST_S:g} s"
        raise InputError(f"ramps shorter than {SHORTEST_S:g} s", short, limit)
    before = planned.rates_at(from_s)
    _within_rig(before, change.ramps, rig)
    changed = Profile.along(changed_ramps(ramps, change))
    ends_s = changed.ends_s[-1]
    if not abs(ends_s - until_s) <= SAME_END_S:
        limit = f"must be that of the planned spin, {until_s:.1f} s"
        raise InputError("the end of the changed spin", f"{ends_s:.1f}", limit, unit="s")
    if any(rates == (0.0, 0.0) for rates in changed.rates):
        limit = "must not come to a standstill while the coat is liquid"
        raise InputError("the changed spin's speed", 0, limit, unit="rpm")
    try:
        rows = [(one.duration_s, one.major_rpm, one.minor_rpm) for one in change.ramps]
        # The board is already turning: these ramps begin at its speeds, not at rest.
        motion.expected_steps([(3600.0, *before), *rows], rig)
    except BridgeError as error:
        raise InputError("the changed spin", "a motion", f"the board refuses it: {error}") from None


def _figures(change: SpinChange) -> None:
    """Raise InputError unless the expected walls are possible and the change gains something."""
    for what, mm in (("going on", change.going_on_mm), ("changed", change.changed_mm)):
        if not 0.0 <= mm <= THICKEST_mm:
            limit = f"must be 0 to {THICKEST_mm:g} mm"
            raise InputError(f"the thinnest patch, {what},", f"{mm:g}", limit, unit="mm")
    gain_mm, low_mm = change.changed_mm - change.going_on_mm, change.gain_low_mm
    if not gain_mm > 0.0:
        what = "the gain of the changed spin"
        raise InputError(what, f"{gain_mm:.3f}", "must be over 0 mm", unit="mm")
    if not 0.0 <= low_mm <= THICKEST_mm:
        what = "the least gain of the changed spin"
        raise InputError(what, f"{low_mm:.3f}", f"must be 0 to {THICKEST_mm:g} mm", unit="mm")


def _within_rig(before: motion.Rates, ramps: Sequence[Ramp], rig: RigSpec) -> None:
    """Raise InputError if ramps from these speeds exceed the rig's speed or acceleration."""
    for ramp in ramps:
        after = (ramp.major_rpm, ramp.minor_rpm)
        for was, now in zip(before, after, strict=True):
            if not abs(now) <= rig.rate_limit_rpm * _SLACK:
                limit = f"must be at most {rig.rate_limit_rpm:g} rpm on this rig"
                raise InputError("the changed spin's speed", f"{now:.2f}", limit, unit="rpm")
            steep_rpm_s = abs(now - was) / ramp.duration_s
            if not steep_rpm_s <= rig.accel_limit_rpm_s * _SLACK:
                limit = f"must be at most {rig.accel_limit_rpm_s:g} rpm/s on this rig"
                what = "the changed spin's acceleration"
                raise InputError(what, f"{steep_rpm_s:.2f}", limit, unit="rpm/s")
        before = after
