"""Events of the frame: turning, stops, parking, its guard and its board."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from evenwall.planning.batch import turn_by_s
from evenwall.run.events.base import RunEvent
from evenwall.run.motion import Ramp3
from evenwall.run.state import RunState, Turning


class TurningBegan(RunEvent):
    """The frame begins to turn, from a standstill."""

    kind: ClassVar[str] = "turning_began"
    base_steps: tuple[int, int]  # step counts of the board
    profile_s: float  # time in the coat's profile at which it begins
    exact: bool  # every step can be accounted for

    def fold(self, state: RunState, at_s: float) -> RunState:
        stood_s = at_s - state.halted_s if state.halted else 0.0
        first_s, met_s = state.coat.spin_from_s, state.coat.parts_met_s
        if first_s is None and met_s is not None:  # it stood still although it should turn
            stood_s = max(0.0, at_s - met_s - turn_by_s(state.coat_plan.clock))
        state = state.with_coat(
            spin_from_s=at_s if first_s is None else first_s,
            stood_s=state.coat.stood_s + stood_s,
        )
        turning = Turning(
            from_s=at_s,
            base_steps=self.base_steps,
            profile_s=self.profile_s,
            exact=self.exact,
        )
        return replace(state, halted="", parked="", moving="", turning=turning)

    def line(self) -> str:
        return "Turning began."


class Queued(RunEvent):
    """Ramps were handed over to the board, each (duration_s, major_rpm, minor_rpm)."""

    kind: ClassVar[str] = "queued"
    hidden: ClassVar[bool] = True
    ramps: tuple[Ramp3, ...]
    profile_s: float  # time in the coat's profile at which the last ramp ends
    ending: bool  # the last ramp goes to a standstill

    def fold(self, state: RunState, at_s: float) -> RunState:
        turning = state.turning
        if turning is None:
            return state
        turning = replace(
            turning,
            ramps=turning.ramps + self.ramps,
            ends_s=max(turning.ends_s, at_s) + sum(ramp[0] for ramp in self.ramps),
            batch_s=at_s,
            profile_s=self.profile_s,
            ending=self.ending,
        )
        return replace(state, turning=turning)


class Rejoined(RunEvent):
    """The board was found again; the last ramps may not have reached it."""

    kind: ClassVar[str] = "rejoined"
    hidden: ClassVar[bool] = True
    dropped_ramps: int
    exact: bool
    profile_s: float

    def fold(self, state: RunState, at_s: float) -> RunState:
        turning = state.turning
        if turning is None:
            return state
        kept = turning.ramps[: len(turning.ramps) - self.dropped_ramps]
        turning = replace(
            turning,
            ramps=kept,
            ends_s=turning.ends_s - sum(ramp[0] for ramp in turning.ramps[len(kept) :]),
            batch_s=at_s,
            profile_s=self.profile_s,
            ending=turning.ending and not self.dropped_ramps,
            exact=turning.exact and self.exact,
        )
        return replace(state, turning=turning)


class Halted(RunEvent):
    """The frame was halted by its guard, a stop, a pause, a fault, or the board itself."""

    kind: ClassVar[str] = "halted"
    why: str  # a key of user_messages.HALTED
    faults: tuple[str, ...] = ()  # faults of the board

    def fold(self, state: RunState, at_s: float) -> RunState:
        return replace(state, turning=None, halted=self.why, halted_s=at_s)

    def line(self) -> str:
        return f"Turning stopped: {self.why}."


class TurningEnded(RunEvent):
    """Turning has ended, with the steps of (major, minor) where all of them are accounted for."""

    kind: ClassVar[str] = "turning_ended"
    gave_up: bool  # turned to the bound without gelling
    steps_expected: tuple[int, int] | None = None
    steps_counted: tuple[int, int] | None = None

    def fold(self, state: RunState, at_s: float) -> RunState:
        coat = state.coat
        stood_s = coat.stood_s
        if state.halted:  # it gelled while it stood still
            until_s = at_s if coat.gel_called_s is None else min(at_s, coat.gel_called_s)
            stood_s += max(0.0, until_s - state.halted_s)
        state = state.with_coat(
            stood_s=stood_s,
            steps_expected=self.steps_expected,
            steps_counted=self.steps_counted,
            gave_up=self.gave_up,
        )
        return replace(state, turning=None)

    def line(self) -> str:
        return "Turning ended."


class Moving(RunEvent):
    """The frame moves to park; `to` gives the opening, up or down."""

    kind: ClassVar[str] = "moving"
    to: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return replace(state, moving=self.to, parked="", halted="")

    def line(self) -> str:
        return f"The frame goes to park, opening {self.to}."


class Parked(RunEvent):
    """The frame is parked, with the opening up or down."""

    kind: ClassVar[str] = "parked"
    at: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        state = replace(state, parked=self.at, moving="", halted="")
        if self.at == "down" and state.coat.poured_s is not None:
            return state.with_coat(parked_s=at_s)
        return state

    def line(self) -> str:
        return f"Parked, opening {self.at}."


class GuardOpened(RunEvent):
    """The guard is open."""

    kind: ClassVar[str] = "guard_opened"

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return replace(state, guard_closed=False)

    def line(self) -> str:
        return "Guard opened."


class GuardClosed(RunEvent):
    """The guard is closed."""

    kind: ClassVar[str] = "guard_closed"

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return replace(state, guard_closed=True)

    def line(self) -> str:
        return "Guard closed."


class StopAsked(RunEvent):
    """A person asked the frame to stop."""

    kind: ClassVar[str] = "stop_asked"
    who: str

    def line(self) -> str:
        return f"Stop, pressed at the {self.who}."


class BoardRefused(RunEvent):
    """The board refused an order."""

    kind: ClassVar[str] = "failed"
    what: str

    def line(self) -> str:
        return f"The board refused: {self.what}"
