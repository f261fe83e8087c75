"""One call of `step`: gathers events and actions while the state moves along."""

from __future__ import annotations

from evenwall.model import Step
from evenwall.run.events import Finished, Halted, RunEvent, Stepped
from evenwall.run.observation import Action, Hold, Observation, Record, RigAction, Stop
from evenwall.run.state import RunState


class Moment:
    """State of a run at `now_s`, the observation then, and the actions asked for so far."""

    def __init__(self, state: RunState, now_s: float, seen: Observation) -> None:
        self.state = state
        self.now_s = now_s
        self.seen = seen
        self.actions: list[Action] = []

    def emit(self, event: RunEvent, key: str | None = None) -> None:
        """Fold an event into the state and ask for its record."""
        self.state = event.fold(self.state, self.now_s)
        self.actions.append(Record(event, key))

    def act(self, action: RigAction) -> None:
        """Ask for an action at the rig."""
        self.actions.append(action)

    def go(self, to: Step, coat: int | None = None) -> None:
        """Go on to a step, of the present coat unless told otherwise."""
        if to is Step.DONE:
            self.emit(Finished())
            return
        self.emit(Stepped(step=to, coat=coat or self.state.index + 1))

    def halt(self, why: str) -> None:
        """Stop the frame; `why` is guard, stop, pause, fault or board."""
        self.act(Hold() if why == "pause" else Stop())
        self.emit(Halted(why=why))

    @property
    def accel(self) -> float:
        """Acceleration limit of the plan's rig, in rpm/s."""
        return self.state.plan.rig.accel_limit_rpm_s

    @property
    def cannot_turn(self) -> str:
        """Reason why the frame may not turn now; empty if it may."""
        rig = self.seen.rig
        if rig is None or self.seen.rig_lost:
            return "the board does not answer"
        if not rig.guard_closed:
            return "the guard is open"
        return ""
