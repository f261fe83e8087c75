"""Manual moves of the frame outside a casting: find the indexes, park, turn for balancing."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from evenwall.devices.interfaces import Inputs, Press
from evenwall.devices.rig_check import Finding, bad, good
from evenwall.errors import InputError
from evenwall.model import RigSpec
from evenwall_bridge.contract import Clock, Mode, Ramp, Rig, RigState

HOME_RPM = 2.0
HOME_TURNS = 1.25  # each turn passes the index once
BALANCE_RPM = 3.0  # fastest speed for balancing
ACCEL_SHARE = 0.5  # of the rig's limit
LOOK_S = 0.1
CONFIRM_WITHIN_S = 60.0

Person = Callable[[str], Awaitable[bool]]  # asks somebody at the rig a yes-or-no question


async def cleared(
    spec: RigSpec, inputs: Inputs, clock: Clock, person: Person | None, say: Callable[[str], None]
) -> None:
    """Ask a person at the rig to confirm that it may turn. Raises InputError.

    The person presses the next button if the rig file requires this and names the button, otherwise
    types yes. A simulated rig needs no confirmation.
    """
    if spec.backend == "simulated":
        return
    if spec.confirm_at_rig and "next_button" in spec.pins:
        say("Guard closed, nobody near it? Then press the next button at the rig.")
        inputs.presses()
        end_s = clock.now_s() + CONFIRM_WITHIN_S
        while clock.now_s() < end_s:
            if Press.NEXT in inputs.presses():
                return
            await clock.sleep(LOOK_S)
    elif person is not None and await person("Guard closed, nobody near it? The frame will turn."):
        return
    raise InputError("rig", "not cleared", "turns only after a confirmation at the rig")


async def turn(
    rig: Rig, spec: RigSpec, clock: Clock, axis: str, rate_rpm: float, turns: float
) -> RigState:
    """Turn one axis alone by this many turns, then stop. Raises InputError, BridgeError."""
    if not 0 < abs(rate_rpm) <= BALANCE_RPM:
        raise InputError("--rate-rpm", rate_rpm, f"must be up to {BALANCE_RPM:g}", unit="rpm")
    if not 0 < turns <= 100:
        raise InputError("--turns", turns, "must be more than 0 and up to 100")
    ramp_s = abs(rate_rpm) / (ACCEL_SHARE * spec.accel_limit_rpm_s)
    level_s = max(0.0, turns * 60.0 / abs(rate_rpm) - ramp_s)
    rates = (rate_rpm, 0.0) if axis == "major" else (0.0, rate_rpm)
    ramps = [Ramp(ramp_s, *rates), Ramp(max(level_s, LOOK_S), *rates), Ramp(ramp_s, 0.0, 0.0)]
    await rig.enable(spec.grant_s)
    await rig.queue(ramps)
    return await _standing(rig, clock)


async def home(rig: Rig, spec: RigSpec, clock: Clock) -> list[Finding]:
    """Find the index of both axes, one after the other."""
    found = []
    for axis in ("major", "minor"):
        one = getattr(rig.state, axis)
        if not one.indexed:
            one = getattr(await turn(rig, spec, clock, axis, HOME_RPM, HOME_TURNS), axis)
        if one.indexed:
            found.append(good(f"{axis} index", f"met; the axis is at {one.angle_deg:.1f} deg."))
        else:
            said = f"not met in {HOME_TURNS:g} turns."
            found.append(bad(f"{axis} index", said, "Check the magnet, the gap and the wire."))
    return found


async def park(rig: Rig, spec: RigSpec, *, up: bool) -> None:
    """Park the minor axis with its opening end up (to pour) or down (to drain)."""
    await rig.enable(spec.grant_s)
    await rig.park(0.0 if up else 180.0, 0.0)


async def _standing(rig: Rig, clock: Clock) -> RigState:
    while True:
        await clock.sleep(LOOK_S)
        state = rig.state
        if state.queue_s == 0 and state.mode in (Mode.HOLDING, Mode.DISABLED):
            return state
