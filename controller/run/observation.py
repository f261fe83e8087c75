"""Observations of the supervisor at a moment, and the actions it asks for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from evenwall.devices.interfaces import Light, Press, Reading
from evenwall.model import Answer, CoatPlan, Command, Plan, ProbeSpec
from evenwall.run.events import RunEvent
from evenwall.run.motion import Ramp3
from evenwall_bridge.contract import RigState

GelRow = tuple[float, float | None, float | None]  # coat_time_s, probe_degC, room_degC


@dataclass(frozen=True, slots=True)
class GelReading:
    """Estimate of the running coat's gel, on the coat's own clock."""

    at_s: float | None = None  # of the newest row it includes; None: no estimate
    best_s: float | None = None
    low_s: float | None = None
    high_s: float | None = None
    safe_to_stop_s: float | None = None
    called_at_s: float | None = None
    probability_gelled: float = 0.0
    faults: tuple[str, ...] = ()
    taken_back: tuple[str, ...] = ()  # faults that were reported and proved wrong
    sentence: str = ""
    says: str = ""  # code for the same statement, without figures
    predicted: tuple[tuple[float, float, float], ...] = ()  # (coat_time_s, low_degC, high_degC)
    touch: tuple[str, float, float] | None = (
        None  # what to touch, from_s and until_s; None: nothing
    )


class GelMonitor(Protocol):
    """Follows one coat from the moment its parts met; uses no clock."""

    def feed(self, rows: Sequence[GelRow]) -> GelReading: ...

    def touched(self, what: str, coat_time_s: float) -> GelReading: ...

    def forget(self) -> None:
        """Do not use this coat for later ones: its touch was taken back."""
        ...

    def end(self) -> None: ...


class GelMonitors(Protocol):
    """Makes a monitor for a coat when it is poured; this may take a while."""

    def __call__(
        self, plan: Plan, coat: CoatPlan, probe: ProbeSpec, poured_coat_s: float
    ) -> GelMonitor: ...


@dataclass(frozen=True, slots=True)
class Observation:
    """Everything that the supervisor may know at one moment; `None` means not known."""

    rig: RigState | None = None
    rig_lost: str = ""  # the reason in words while the board does not answer
    probe: Reading | None = None
    room: Reading | None = None
    mould: Reading | None = None
    gel: GelReading = GelReading()
    commands: tuple[Command, ...] = ()
    presses: tuple[Press, ...] = ()
    parked: str = ""  # a park that has just ended: up or down
    failed: str = ""  # an action that has just failed, in words
    rejoin: bool = False  # the first moment after a restart, or after the board was found again
    record_trouble: str = ""
    notices: Mapping[str, str] = field(default_factory=dict)  # from other parts: telemetry, broker
    lag_s: float = 0.0  # delay until `rig` shows an order, if the world runs faster than life

    @property
    def probe_degC(self) -> float | None:
        return None if self.probe is None else self.probe.temp_degC

    @property
    def room_degC(self) -> float | None:
        return None if self.room is None else self.room.temp_degC

    @property
    def mould_degC(self) -> float | None:
        return None if self.mould is None else self.mould.temp_degC


@dataclass(frozen=True, slots=True)
class Record:
    """Record this event; it is already folded into the state."""

    event: RunEvent
    key: str | None = None


@dataclass(frozen=True, slots=True)
class Enable:
    pass


@dataclass(frozen=True, slots=True)
class Queue:
    ramps: tuple[Ramp3, ...]


@dataclass(frozen=True, slots=True)
class Hold:
    pass


@dataclass(frozen=True, slots=True)
class Stop:
    pass


@dataclass(frozen=True, slots=True)
class Park:
    to: str
    major_deg: float
    minor_deg: float


@dataclass(frozen=True, slots=True)
class Reply:
    key: str
    answer: Answer


@dataclass(frozen=True, slots=True)
class Show:
    light: Light


@dataclass(frozen=True, slots=True)
class Sound:
    repeats: int


RigAction = Enable | Queue | Hold | Stop | Park
Action = Record | RigAction | Reply | Show | Sound
