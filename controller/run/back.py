"""Undo: take the last step back where that is physically possible.

A movement of the frame and a pour into the mould cannot be taken back. A press that came too early
can: the clock is corrected, and the record keeps both the press and its undoing.
"""

from __future__ import annotations

from evenwall.model import Step
from evenwall.run.events import StepTakenBack, Weighed, WeightTakenBack
from evenwall.run.moment import Moment
from evenwall.run.state import RunState
from evenwall.run.user_messages import BUTTONS

# For each step that can be undone, the step before it. All others begin by moving the frame.
BACK: dict[Step, Step] = {
    Step.MIX: Step.WEIGH,
    Step.DEGAS: Step.MIX,
    Step.POUR: Step.DEGAS,
    Step.CLOSE_UP: Step.POUR,
    Step.DEMOULD: Step.CURE,
    Step.MEASURE: Step.DEMOULD,
}
_SAID: dict[Step, str] = {
    Step.MIX: "Taken back: the parts have not met. The clock starts when you press again.",
    Step.CLOSE_UP: "Taken back: the coat is not poured yet.",
}
NOTHING = "There is nothing to take back."


def back_label(state: RunState) -> str:
    """Return the label of the step-back button; empty if nothing can be taken back."""
    if state.step is Step.WEIGH and state.coat.weighings:
        part, mass_g = state.coat.weighings[-1]
        return f"Take back: {mass_g:.1f} g of part {part}"
    before = BACK.get(state.step)
    if before is None:
        return ""
    return f"Take back: {BUTTONS[before].lower()}"


def take_step_back(moment: Moment) -> str:
    """Take the last step back and return a sentence about it; empty if that is impossible."""
    state = moment.state
    before = BACK.get(state.step)
    if before is None or state.over:
        return ""
    said = _SAID.get(state.step, f"Taken back: {BUTTONS[before].lower()}.")
    back = StepTakenBack(step=before, was=state.step, coat=state.index + 1, sentence=said)
    moment.emit(back)
    return said


def take_weight_back(moment: Moment, who: str) -> str:
    """Take back the latest weight and return its part; empty if there is no weight."""
    state = moment.state
    if state.step is not Step.WEIGH or not state.coat.weighings:
        return ""
    part = state.coat.weighings[-1][0]
    moment.emit(WeightTakenBack(part=part, who=who))
    both_weighed(moment)
    return part


def both_weighed(moment: Moment) -> None:
    """Record both parts together once both are known."""
    coat = moment.state.coat
    if coat.part_a_g is not None and coat.part_b_g is not None:
        moment.emit(Weighed(part_a_g=coat.part_a_g, part_b_g=coat.part_b_g))


def go_back(moment: Moment, who: str) -> str:
    """Take back the latest weight or step; return the reason if that is impossible."""
    if take_weight_back(moment, who) or take_step_back(moment):
        return ""
    return NOTHING
