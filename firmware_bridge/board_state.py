"""The board's state, read from its rows."""

from __future__ import annotations

from evenwall_bridge import motion
from evenwall_bridge.contract import AxisState, Fault, Mode, RigState
from evenwall_bridge.motion import SLICE_S, FrameLimits
from evenwall_bridge.wire import StateRow, Status

_MODES = (Mode.DISABLED, Mode.HOLDING, Mode.TURNING, Mode.STOPPING)
# In the order of the bits on the wire.
_FAULTS = (
    Fault.GUARD_OPEN,
    Fault.DRIVER_MAJOR,
    Fault.DRIVER_MINOR,
    Fault.SLIP_MAJOR,
    Fault.SLIP_MINOR,
    Fault.HOST_SILENT,
    Fault.QUEUE_DRY,
    Fault.BROWN_OUT,
    Fault.WATCHDOG,
)
# Faults that end a motion; the others are reported, and the frame keeps turning.
ENDING_FAULTS = (Fault.GUARD_OPEN, Fault.DRIVER_MAJOR, Fault.DRIVER_MINOR, Fault.HOST_SILENT)
_GUARD_CLOSED, _COASTING, _INDEXED = 0x01, 0x02, (0x04, 0x08)
# Answers of the board in words.
WORDS = {
    Status.GUARD: "the guard is open",
    Status.DRIVER: "a motor driver reports a fault",
    Status.RATE: "a ramp is over the board's rate limit",
    Status.ACCEL: "a ramp is over the board's acceleration limit",
    Status.CONFIG: "the board does not take these limits",
    Status.GRANT: f"grant_s must be over 0 and at most {motion.GRANT_S_MAX:.0f} s",
    Status.LENGTH: "the command has the wrong length",
    Status.TYPE: "the board does not know this command",
    Status.ORDINAL: "the queue was dropped in the meantime",
}


def state_of(row: StateRow, limits: FrameLimits, at_s: float) -> RigState:
    """Return a row as the state of the rig at `at_s` on the host's clock."""
    axes = []
    for axis, turn in enumerate(limits.steps_per_turn):
        indexed = bool(row.flags & _INDEXED[axis])
        since = row.steps[axis] - (row.index_steps[axis] if indexed else 0)
        axes.append(
            AxisState(
                steps=row.steps[axis],
                rate_rpm=motion.rpm_of(row.rate[axis], turn),
                angle_deg=since % turn / turn * 360.0,
                indexed=indexed,
            )
        )
    return RigState(
        at_s=at_s,
        mode=_MODES[row.mode],
        major=axes[0],
        minor=axes[1],
        guard_closed=bool(row.flags & _GUARD_CLOSED),
        faults=frozenset(f for bit, f in enumerate(_FAULTS) if row.faults >> bit & 1),
        queue_s=row.queue_slices * SLICE_S,
        ramps_done=row.ramps_done,
        coasting=bool(row.flags & _COASTING),
        frames_bad=row.frames_bad,
        steps_late=row.steps_late,
        queue_low_s=row.queue_low_slices * SLICE_S,
        ramps_accepted=row.accepted,
    )
