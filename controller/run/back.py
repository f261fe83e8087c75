"""Undo: the last step is taken back where nothing in the world stands against it.

What the frame has moved, and what has run into the mould, cannot be taken back. A press that was
early can: the clock is put right, and the record tells both.
"""

from __future__ import annotations

from evenwall.model import Step
from evenwall.run.events import StepTakenBack, Weighed, WeightTakenBack
from evenwall.run.moment import Moment
from evenwall.run.state import RunState
from evenwall.run.user_messages import BUTTONS

# The step that a step's own beginning takes back to. The rest begin by moving the frame.
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
    Step.CLOSE_UP: "Taken back: it is not poured yet.",
}
NOTHING = "There is nothing to take back."


def back_label(state: RunState) -> str:
    """Return what a step back takes back, in the words of its button; empty: nothing."""
    if state.step is Step.WEIGH and state.coat.weighings:
        part, mass_g = state.coat.weighings[-1]
        return f"Take back: {mass_g:.1f} g of part {part}"
    before = BACK.get(state.step)
    if before is None:
        return ""
    return f"Take back: {BUTTONS[before].lower()}"


def take_step_back(moment: Moment) -> str:
    """Take the last step back and return the sentence that tells it; empty: it cannot be."""
    state = moment.state
    before = BACK.get(state.step)
    if before is None or state.over:
        return ""
    said = _SAID.get(state.step, f"Taken back: {BUTTONS[before].lower()}.")
    back = StepTakenBack(step=before, was=state.step, coat=state.index + 1, sentence=said)
    moment.emit(back)
    return said


def take_weight_back(moment: Moment, who: str) -> str:
    """Take back the latest weight; returns the part, empty where there is none."""
    state = moment.state
    if state.step is not Step.WEIGH or not state.coat.weighings:
        return ""
    part = state.coat.weighings[-1][0]
    moment.emit(WeightTakenBack(part=part, who=who))
    both_weighed(moment)
    return part


def both_weighed(moment: Moment) -> None:
    """Write both parts down together once both are known."""
    coat = moment.state.coat
    if coat.part_a_g is not None and coat.part_b_g is not None:
        moment.emit(Weighed(part_a_g=coat.part_a_g, part_b_g=coat.part_b_g))


def go_back(moment: Moment, who: str) -> str:
    """Take back the latest weight or step; why not, in words."""
    if take_weight_back(moment, who) or take_step_back(moment):
        return ""
    return NOTHING
