"""Events of a casting's course: its beginning, steps, coats and end."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from pydantic import StrictBool

from evenwall.model import Step
from evenwall.run.events.base import Answered, RunEvent
from evenwall.run.state import Coat, RunState
from evenwall.run.user_messages import DUE, LOST_LINES

NOTE_DRAFT = "note-text"  # the one draft that outlives its step


class Started(Answered):
    """The run began. It makes the first state, in `folding.begin`."""

    kind: ClassVar[str] = "started"
    simulated: StrictBool
    casting: str = ""
    resin: str = ""
    coats: int = 0
    rig: str = ""
    replay_of: str | None = None
    close_up_s: float | None = None  # time that closing up took in earlier castings

    def line(self) -> str:
        on_rig = f" on {self.rig}" if self.rig else ""
        return f"{self.casting}, {self.resin}: {self.coats} coats{on_rig}."


class Stepped(RunEvent):
    """The next step began."""

    kind: ClassVar[str] = "stepped"
    step: Step
    coat: int

    def fold(self, state: RunState, at_s: float) -> RunState:
        return replace(
            state,
            step=self.step,
            step_no=state.step_no + 1,
            entered_s=at_s,
            index=self.coat - 1,
            drafts={k: v for k, v in state.drafts.items() if k == NOTE_DRAFT},
        )

    def line(self) -> str:
        return f"Coat {self.coat}: {DUE[self.step]}"


class PartsMet(RunEvent):
    """Part A and part B met: the coat's own clock begins."""

    kind: ClassVar[str] = "parts_met"

    def fold(self, state: RunState, at_s: float) -> RunState:
        return state.with_coat(parts_met_s=at_s)

    def line(self) -> str:
        return "The parts met."


class Poured(RunEvent):
    """The mix is in the mould."""

    kind: ClassVar[str] = "poured"

    def fold(self, state: RunState, at_s: float) -> RunState:
        return state.with_coat(poured_s=at_s)

    def line(self) -> str:
        return "Poured."


class StepTakenBack(Stepped):
    """The last step was taken back; the clock is as it was before the press."""

    kind: ClassVar[str] = "step_taken_back"
    was: Step
    sentence: str = ""

    def fold(self, state: RunState, at_s: float) -> RunState:
        if self.was is Step.MIX:
            state = state.with_coat(parts_met_s=None, touches=())
        elif self.was is Step.CLOSE_UP:
            state = state.with_coat(poured_s=None)
        return super().fold(state, at_s)

    def line(self) -> str:
        return self.sentence


class MixedAgain(RunEvent):
    """The mix was discarded: this coat begins again."""

    kind: ClassVar[str] = "mixed_again"

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        coat = state.coat
        anew = Coat(
            coat=coat.coat,
            mixed_again=coat.mixed_again + 1,
            lost=coat.lost,
            lost_met_s=coat.lost_met_s,
        )
        return state.put_coat(anew)

    def line(self) -> str:
        return "The mix was discarded; a new one is made."


class CoatLost(RunEvent):
    """The resin in the mould forms no wall: it was tipped out, or left to set. The coat is poured
    again."""

    kind: ClassVar[str] = "coat_lost"
    how: str  # a key of user_messages.LOST_BUTTONS

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        coat = state.coat
        anew = Coat(
            coat=coat.coat,
            mixed_again=coat.mixed_again,
            lost=coat.lost + 1,
            lost_met_s=coat.parts_met_s,
        )
        return state.put_coat(anew)

    def line(self) -> str:
        return LOST_LINES[self.how]


class CoatDone(RunEvent):
    """The coat has gelled and the frame is parked."""

    kind: ClassVar[str] = "coat_done"

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return state.with_coat(done=True)

    def line(self) -> str:
        return "Coat done."


class Finished(RunEvent):
    """The casting is out of the mould and measured."""

    kind: ClassVar[str] = "finished"

    def fold(self, state: RunState, at_s: float) -> RunState:
        return replace(state, step=Step.DONE, step_no=state.step_no + 1, entered_s=at_s)

    def line(self) -> str:
        return "Finished."


class Abandoned(RunEvent):
    """A person gave the casting up."""

    kind: ClassVar[str] = "abandoned"
    reason: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        return replace(
            state,
            step=Step.ABANDONED,
            step_no=state.step_no + 1,
            entered_s=at_s,
            turning=None,
            moving="",
            reason=self.reason,
        )

    def line(self) -> str:
        return f"Abandoned: {self.reason}"


class Restarted(RunEvent):
    """A new process took the run up from the journal."""

    kind: ClassVar[str] = "restarted"

    def line(self) -> str:
        return "The controller was restarted."
