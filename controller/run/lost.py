"""Coats that form no wall: when one may be declared lost, and how it is poured again."""

from __future__ import annotations

from evenwall.model import Step
from evenwall.run.events import CoatLost, Halted, Moving
from evenwall.run.fate import Fate, fate
from evenwall.run.moment import Moment
from evenwall.run.state import RunState


def lost_answer(how: str) -> dict[str, str]:
    """Data of the answer that declares the present coat lost."""
    return {"question": "coat_lost", "value": how}


def may_be_lost(state: RunState, now_s: float) -> tuple[str, ...]:
    """Ways in which a person may declare the present coat lost now; keys of `LOST_BUTTONS`."""
    del now_s
    if state.moving or state.turning:
        return ()
    if state.step is Step.CLOSE_UP:
        said = {"tip_out": ("tipped_out", "set"), "set_in_mould": ("set", "tipped_out")}
        return next((ways for kind, ways in said.items() if kind in state.alerts), ())
    if state.step in (Step.REST, Step.CURE) and fate(state.coat_plan, state.coat) is Fate.LOST:
        return ("again",)
    return ()


def lay_anew(moment: Moment, how: str) -> None:
    """Begin the present coat again; the frame waits for its button before it moves."""
    up = moment.state.parked == "up"
    moment.emit(CoatLost(how=how))
    moment.go(Step.WEIGH)
    if not up:
        moment.emit(Moving(to="up"))
        moment.emit(Halted(why="ask"))
