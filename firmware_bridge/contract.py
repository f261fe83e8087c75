"""Contract of every rig: the board on USB, the firmware built for the host, a fake.

One contract test suite (`tests/contract`) runs over all of them. Angles are degrees, rates are
revolutions per minute, positive by the right-hand rule (see DEVELOPERS.md, "The frame").
"""

from __future__ import annotations

import enum
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """The only source of time. Everything that waits, waits on a clock."""

    def now_s(self) -> float:
        """Monotonic seconds of the world the clock belongs to (simulated or real)."""
        ...

    def utc(self) -> datetime:
        """Civil time, aware, for records and for people; may step, so never subtract it."""
        ...

    async def sleep(self, duration_s: float) -> None: ...


class Mode(enum.StrEnum):
    """Motion state of the board."""

    DISABLED = "disabled"  # motor drivers off; the mode in which a board wakes up
    HOLDING = "holding"  # drivers on, standing still
    TURNING = "turning"  # running queued ramps, or keeping the last speed (see `coasting`)
    STOPPING = "stopping"  # ramping down; ends in HOLDING or DISABLED


class Fault(enum.StrEnum):
    """Latched faults; cleared by `Rig.enable` when the cause is gone."""

    GUARD_OPEN = "guard_open"
    DRIVER_MAJOR = "driver_major"
    DRIVER_MINOR = "driver_minor"
    SLIP_MAJOR = "slip_major"
    SLIP_MINOR = "slip_minor"
    HOST_SILENT = "host_silent"  # the time that the host granted ran out
    QUEUE_DRY = "queue_dry"  # queue ran out while turning; last speed kept
    BROWN_OUT = "brown_out"  # last reset was a brown-out
    WATCHDOG = "watchdog"  # last reset was the hardware watchdog


@dataclass(frozen=True, slots=True)
class Ramp:
    """Linear change of both axes' speeds, in `duration_s`, from the present values to these."""

    duration_s: float
    major_rpm: float
    minor_rpm: float


@dataclass(frozen=True, slots=True)
class AxisState:
    """`steps` counts STEP pulses signed by direction since the board woke."""

    steps: int
    rate_rpm: float
    angle_deg: float  # from the index when `indexed`, else from where the board woke; 0 <= a < 360
    indexed: bool


@dataclass(frozen=True, slots=True)
class RigState:
    """One row of the board's state stream (10 Hz)."""

    at_s: float  # on the host's clock
    mode: Mode
    major: AxisState
    minor: AxisState
    guard_closed: bool
    faults: frozenset[Fault]
    queue_s: float  # motion still queued on the board
    ramps_done: int  # ramps finished since the last `enable`
    coasting: bool  # keeping the last speed because the queue is dry
    frames_bad: int
    steps_late: int
    queue_low_s: float  # low-water mark at appending since the last `enable`
    ramps_accepted: int = 0  # ramps the board took since the last `enable`, done or not


@dataclass(frozen=True, slots=True)
class RigInfo:
    """Identity of the board that answered, and the limits it enforces by itself."""

    firmware: str
    protocol: int
    simulated: bool
    steps_per_turn_major: int
    steps_per_turn_minor: int
    rate_limit_rpm: float
    accel_limit_rpm_s: float
    queue_capacity_ramps: int


class Rig(Protocol):
    """The frame. Methods raise `BridgeError`s; none blocks the event loop."""

    @property
    def info(self) -> RigInfo: ...

    @property
    def state(self) -> RigState:
        """Return the newest known state; its `at_s` gives its age."""
        ...

    async def open(self) -> None:
        """Handshake and rejoin: never moves, never stops a turning frame."""
        ...

    async def close(self) -> None:
        """Release the port; a turning frame keeps turning for the time granted."""
        ...

    async def enable(self, grant_s: float) -> None:
        """Clear faults whose cause is gone, switch the drivers on, hold.

        grant_s: how long the board may keep the last speed when the host falls silent.
        Raises Refused while the guard is open or a driver reports a fault.
        """
        ...

    async def queue(self, ramps: Sequence[Ramp]) -> None:
        """Append ramps; starts turning when holding. Refused whole if any exceeds a limit.

        Returns when the board has accepted them all, waiting for room in its queue.
        """
        ...

    async def hold(self) -> None:
        """Drop the queue, ramp down within the acceleration limit, keep the drivers on."""
        ...

    async def stop(self) -> None:
        """Drop the queue, ramp down within the acceleration limit, drivers off."""
        ...

    async def park(self, major_deg: float, minor_deg: float) -> None:
        """Hold, then turn the short way to these angles; returns when there."""
        ...

    def states(self) -> AsyncIterator[RigState]:
        """Every state row from now on; ends when the rig is closed."""
        ...


class BoardPins(Protocol):
    """The electrical side of a *simulated* board, for the twin and for tests."""

    def steps(self) -> tuple[int, int]:
        """Signed STEP edges (major, minor) counted at the pins since power-on."""
        ...

    def enabled(self) -> bool: ...

    def set_guard(self, closed: bool) -> None: ...

    def set_driver_fault(self, axis: str, on: bool) -> None: ...

    def slip(self, axis: str, steps: int) -> None:
        """The motor loses this many steps: the index then comes at the wrong count."""
        ...


@dataclass(frozen=True, slots=True)
class Weight:
    """One line of a scale; below 0 if the load at its tare was removed."""

    mass_g: float
    steady: bool


class Scale(Protocol):
    """A scale that sends its displayed weight continuously."""

    async def open(self) -> None:
        """Open the scale. Raises LinkLost if there is none."""
        ...

    async def read(self) -> Weight:
        """The newest line not yet read; waits for one.

        Raises LinkLost if the scale is gone or silent, Garbled if a line is not a weight.
        """
        ...

    async def close(self) -> None: ...


class BridgeError(Exception):
    """Base of all errors raised by the bridge."""


class LinkLost(BridgeError):
    """No answer, end of file or unplugged."""


class Garbled(BridgeError):
    """An answer that is not valid."""


class VersionMismatch(BridgeError):
    """The board speaks another protocol version: refuse to move."""

    def __init__(self, host: int, board: int) -> None:
        super().__init__(
            f"board protocol version {board}, this release expects {host}: the frame is not "
            f"moved; flash the firmware of this release"
        )
        self.host = host
        self.board = board


class Refused(BridgeError):
    """The board, or the host on its behalf, refused a command whole."""


class RigFault(BridgeError):
    """A latched fault ended the motion."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.value)
        self.fault = fault
