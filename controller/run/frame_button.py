"""The single button or pedal at the frame: a short press goes on, a long one goes back.

While the frame turns, a long press pauses it. Nothing here can start the frame with the guard open:
a short press passes the same checks as the button on the page.
"""

from __future__ import annotations

from evenwall.devices.interfaces import Light, Press
from evenwall.model import FrameButton, Step
from evenwall.run.alerts import SEVERITY
from evenwall.run.back import back_label, go_back
from evenwall.run.events import Pressed, Refused, Ticked, Touched
from evenwall.run.faults import stop_turning
from evenwall.run.moment import Moment
from evenwall.run.next_step import list_open, take_next, why_not
from evenwall.run.observation import Observation, Sound
from evenwall.run.state import RunState
from evenwall.run.user_messages import BUTTONS, CHECKLIST

# Steps in which a press makes the frame move.
MOVES = (Step.PREPARE, Step.CLOSE_UP, Step.REST)
DONE_BEEPS, REFUSED_BEEPS = 1, 2  # after a press; alerts beep once, or three times to act now
AT_THE_BUTTON = "the button at the frame"


def press(moment: Moment, pressed: Press) -> None:
    """Carry out a press at the frame, and beep to tell whether it was accepted."""
    if pressed is Press.STOP:
        stop_turning(moment, "rig")
        return
    problem = _long(moment) if pressed is Press.LONG else _short(moment)
    moment.actions.append(Sound(REFUSED_BEEPS if problem else DONE_BEEPS))
    if problem:
        moment.emit(Refused(command=AT_THE_BUTTON, sentence=problem))


def _short(moment: Moment) -> str:
    """Take the next step; return the reason if it cannot be taken."""
    if _asks_for_cup(moment.state):
        moment.emit(Touched(what="cup", who=AT_THE_BUTTON))
        return ""
    problem = why_not(moment, at_rig=True)
    if not problem:
        moment.emit(Pressed(step=moment.state.step))
        take_next(moment)
    return problem


def _long(moment: Moment) -> str:
    """Pause turning or stop parking; otherwise take back the latest step or weight."""
    state = moment.state
    if state.halted:
        return "The frame already stands still. A short press starts it again."
    if state.turning is not None:
        moment.emit(Pressed(step=state.step, long=True))
        moment.halt("pause")
        return ""
    if state.moving:
        stop_turning(moment, "rig")
        return ""
    if list_open(state):
        moment.emit(Ticked(done=tuple(range(len(CHECKLIST))), who=AT_THE_BUTTON))
        return ""
    return go_back(moment, AT_THE_BUTTON)


def _asks_for_cup(state: RunState) -> bool:
    """Whether the sheet waits for the cup to gel, so that a press reports it gelled."""
    touched = any(what == "cup" for what, _ in state.coat.touches)
    asked = state.step is Step.SPIN and "no_gel" in state.alerts
    return asked and state.turning is not None and not state.halted and not touched


def frame_button(state: RunState, now_s: float, seen: Observation) -> FrameButton:
    """Return the present function of the button at the frame, and the light that shows it."""
    light = light_of(state, now_s, seen)
    moment = Moment(state, now_s, seen)
    if _asks_for_cup(state):
        short = "Cup has gelled"
    elif why_not(moment, at_rig=True):
        short = ""
    else:
        short = "Turn again" if state.halted else BUTTONS.get(state.step, "")
    if state.halted:
        long = ""
    elif state.turning is not None:
        long = "Pause"
    else:
        back = "The list is done" if list_open(state) else back_label(state)
        long = "Stop" if state.moving else back
    return FrameButton(light=light.value, short=short, long=long)


def light_of(state: RunState, now_s: float, seen: Observation) -> Light:
    """Return the stack light: it shows what to do now, or what the next press does."""
    if any(SEVERITY[kind] == "act_now" for kind in state.alerts):
        return Light.ACT_NOW
    if state.turning or (state.moving and not state.halted):
        return Light.TURNING
    if state.over:
        return Light.READY
    problem = why_not(Moment(state, now_s, seen), at_rig=True)
    if problem:
        return Light.READY if state.step in (Step.REST, Step.CURE) else Light.ASKING
    return Light.MOVES_NEXT if state.halted or state.step in MOVES else Light.ASKING
