"""The pure supervisor on a test bench: a state, a moment, and a board that obeys."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from evenwall.devices.interfaces import Press, Reading
from evenwall.model import Answer, Event, Plan, Step
from evenwall.run.events import RunEvent, Started, read
from evenwall.run.folding import begin
from evenwall.run.observation import (
    Enable,
    GelReading,
    Hold,
    Observation,
    Park,
    Queue,
    Record,
    Reply,
    Stop,
)
from evenwall.run.state import RunState
from evenwall.run.step import step
from evenwall_bridge.contract import AxisState, Fault, Mode, RigState
from tests.support.orders import command
from tests.support.virtual_shop import lantern_plan

STANDING = RigState(
    at_s=0.0,
    mode=Mode.DISABLED,
    major=AxisState(0, 0.0, 0.0, True),
    minor=AxisState(0, 0.0, 0.0, True),
    guard_closed=True,
    faults=frozenset(),
    queue_s=0.0,
    ramps_done=0,
    coasting=False,
    frames_bad=0,
    steps_late=0,
    queue_low_s=0.0,
)


def as_row(event: RunEvent, at_s: float) -> Event:
    """Return the event as a row of the journal, written as text and read back."""
    data = json.loads(json.dumps(event.data()))
    return Event(event_id=1, run_id="r", at_s=at_s, utc="", kind=event.kind, data=data)


class Bench:
    """Drives `step`; checks at every moment that the state is the fold of what was recorded."""

    def __init__(self, plan: Plan | None = None) -> None:
        self.plan = plan or lantern_plan()
        self.now_s = 0.0
        self.rig = STANDING
        self.state: RunState = begin("r", self.plan, 0.0, Started(simulated=True))
        self.folded = self.state
        self.events: list[RunEvent] = []
        self.told: list[Any] = []  # orders to the board
        self.answers: list[Answer] = []
        self.kept: dict[str, Any] = {"probe": Reading(0.0, 25.0), "gel": GelReading()}
        self._parked = ""
        self._keys = 0

    def look(self, **seen: Any) -> None:
        """Look at one moment; keywords are fields of `Observation`."""
        self.rig = replace(self.rig, at_s=self.now_s)
        parked, self._parked = self._parked, ""
        facts = {"rig": self.rig, "parked": parked, **self.kept, **seen}
        self.state, actions = step(self.state, self.now_s, Observation(**facts))
        for action in actions:
            if isinstance(action, Record):
                self.events.append(action.event)
                row = as_row(action.event, self.now_s)
                self.folded = read(row).fold(self.folded, self.now_s)
            elif isinstance(action, Reply):
                self.answers.append(action.answer)
            elif isinstance(action, Enable | Queue | Hold | Stop | Park):
                self.told.append(action)
                self._obey(action)
        assert self.folded == self.state

    def _obey(self, action: Any) -> None:
        rig = self.rig
        if isinstance(action, Enable):
            self.rig = replace(rig, mode=Mode.HOLDING, faults=frozenset(), ramps_accepted=0)
        elif isinstance(action, Queue):
            queued_s = rig.queue_s + sum(ramp[0] for ramp in action.ramps)
            accepted = rig.ramps_accepted + len(action.ramps)
            self.rig = replace(rig, mode=Mode.TURNING, queue_s=queued_s, ramps_accepted=accepted)
        elif isinstance(action, Park):
            self._parked = action.to
        else:
            mode = Mode.HOLDING if isinstance(action, Hold) else Mode.DISABLED
            self.rig = replace(rig, mode=mode, queue_s=0.0)

    def wait(self, duration_s: float, look_s: float = 1.0, **seen: Any) -> None:
        """Let time pass, with a look now and then; the board works through its queue."""
        end_s = self.now_s + duration_s
        while self.now_s < end_s:
            dt_s = min(look_s, end_s - self.now_s)
            self.now_s += dt_s
            left_s = max(0.0, self.rig.queue_s - dt_s)
            mode = self.rig.mode
            if mode is Mode.TURNING and left_s == 0.0 and self.state.turning is not None:
                mode = Mode.HOLDING if self.state.turning.ending else mode
            self.rig = replace(self.rig, queue_s=left_s, mode=mode)
            self.look(**seen)

    def hinder_parking(self) -> None:
        """Do not report the end of the present parking."""
        self._parked = ""

    def press(self) -> None:
        if self.state.step is Step.PREPARE and not self.state.ticked:
            self.tick()
        self.look(presses=(Press.NEXT,))

    def tick(self) -> None:
        """Do the whole list."""
        assert self.ask("tick", all=True).accepted

    def ask(self, name: str, step_id: str | None = None, **data: Any) -> Answer:
        self._keys += 1
        self.look(commands=(command(name, f"k{self._keys}", step_id=step_id, **data),))
        return self.answers[-1]

    def ask_by(self, who: str, name: str, **data: Any) -> Answer:
        """Do as `ask` does, with a named sender."""
        self._keys += 1
        self.look(commands=(command(name, f"k{self._keys}", who=who, **data),))
        return self.answers[-1]

    def guard(self, closed: bool) -> None:
        """Open or close the guard; when it opens, the board itself stops and disables."""
        self.rig = replace(self.rig, guard_closed=closed)
        if not closed:
            faults = self.rig.faults | {Fault.GUARD_OPEN}
            self.rig = replace(self.rig, mode=Mode.DISABLED, queue_s=0.0, faults=faults)
        self.look()

    def until(self, wanted: Step, *, coat_time_s: float | None = None) -> Bench:
        """Take the usual steps until the present coat reaches a given step."""
        self.look()
        while self.state.step is not wanted:
            if self.state.step in (Step.PREPARE, Step.CLOSE_UP, Step.REST):
                self.press()
                self.wait(3.0)
            elif self.state.step is Step.WEIGH:
                coat = self.state.coat_plan
                self.ask("weigh", part_a_g=coat.part_a_g, part_b_g=coat.part_b_g)
                assert self.ask("next").accepted
            else:
                self.wait(20.0)
                assert self.ask("next").accepted
        if coat_time_s is not None:
            self.wait(coat_time_s - (self.state.coat_time_s(self.now_s) or 0.0), look_s=5.0)
        return self

    def alerts(self) -> set[str]:
        return set(self.state.alerts)

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]
