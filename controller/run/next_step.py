"""Order of the steps: the next one, the reasons against it, and the automatic steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from evenwall.model import Step
from evenwall.run.alerts import WEIGHT_REFUSE, weight_error
from evenwall.run.events import (
    CoatDone,
    Halted,
    Moving,
    PartsMet,
    Poured,
    TurningEnded,
)
from evenwall.run.moment import Moment
from evenwall.run.schedule import next_from_s
from evenwall.run.state import RunState
from evenwall.run.turning import begin_turning, may_stop, park, turn_again
from evenwall.run.user_messages import AT_THE_FRAME, CHECKLIST, OR_HOLD, not_now
from evenwall.units import percent


def steps_by_themselves(moment: Moment) -> None:
    """Take the steps that need no person: park when the coat holds, go on once parked."""
    state = moment.state
    if state.step is Step.SPIN and state.halted and may_stop(moment):
        # The coat gelled while the frame stood still: only parking is left.
        moment.emit(TurningEnded(gave_up=state.coat.safe_s is None))
        moment.go(Step.PARK)
        moment.emit(Moving(to="down"))
        moment.emit(Halted(why=state.halted))
    elif state.step is Step.PARK and state.parked == "down":
        moment.emit(CoatDone())
        moment.go(Step.CURE if state.last_coat else Step.REST)


def why_not(moment: Moment, *, at_rig: bool) -> str:
    """Reason, in words, why the next step cannot be taken now; empty if it can."""
    state = moment.state
    confirmed = at_rig or not state.plan.rig.confirm_at_rig
    if state.over:
        return "This run is over."
    if state.halted:
        return cannot_turn(moment, confirmed)
    if state.moving:
        return "The frame is moving; wait until it is parked."
    return WAYS_ON[state.step].hindered(moment, confirmed)


def take_next(moment: Moment) -> None:
    """Take the next step if nothing prevents it."""
    if moment.state.halted:
        turn_again(moment)
    else:
        WAYS_ON[moment.state.step].onwards(moment)


def cannot_turn(moment: Moment, confirmed: bool) -> str:
    if moment.cannot_turn:
        return f"It cannot turn: {moment.cannot_turn}."
    return "" if confirmed else AT_THE_FRAME


def _cannot_turn_up(moment: Moment, confirmed: bool) -> str:
    if moment.cannot_turn:
        return f"The frame must turn the opening up first, and cannot: {moment.cannot_turn}."
    return "" if confirmed else "Press the button at the frame: it turns the opening up."


def list_open(state: RunState) -> str:
    """Return the lines of the list that are not ticked; empty if there are none or the time has not
    come."""
    left = len(CHECKLIST) - len(state.ticked)
    if state.step is not Step.PREPARE or left <= 0:
        return ""
    return f"{left} of {len(CHECKLIST)} lines of the list are still to tick: {OR_HOLD}"


def _list_and_up(moment: Moment, confirmed: bool) -> str:
    return list_open(moment.state) or _cannot_turn_up(moment, confirmed)


def _weights_off(moment: Moment, confirmed: bool) -> str:
    del confirmed
    coat = moment.state.coat
    if coat.part_a_g is None or coat.part_b_g is None or coat.weights_accepted:
        return ""
    error = weight_error(moment.state, coat.part_a_g, coat.part_b_g)
    if error <= WEIGHT_REFUSE:
        return ""
    return (
        f"The weights are off by {percent(error)}: weigh again. No advice can be given for such a "
        f"mix; go on with it only if you know better."
    )


def _waits(moment: Moment, words: str) -> str:
    """Return the sentence with the minutes still to wait; empty if there is no wait."""
    left_s = (next_from_s(moment.state) or moment.now_s) - moment.now_s
    return words.format(f"{left_s / 60.0:.0f}") if left_s > 0.0 else ""


def _up_then_weigh(moment: Moment, coat: int) -> None:
    moment.go(Step.WEIGH, coat)
    park(moment, "up")


def _not_up(moment: Moment, confirmed: bool) -> str:
    del confirmed
    if moment.state.parked == "up":
        return ""
    return "The opening is not up: close the guard and press the button at the frame."


def _rests(moment: Moment, confirmed: bool) -> str:
    waits = _waits(moment, "The coat still rests: {} min until the next one is weighed.")
    return waits or _cannot_turn_up(moment, confirmed)


def _cures(moment: Moment, confirmed: bool) -> str:
    del confirmed
    return _waits(moment, "It still cures: {} min until the mould may be opened.")


def _by_itself(moment: Moment, confirmed: bool) -> str:
    del confirmed
    return not_now(moment.state.step)


def _nothing(moment: Moment, confirmed: bool) -> str:
    del moment, confirmed
    return ""


def _parts_together(moment: Moment) -> None:
    moment.go(Step.MIX)
    moment.emit(PartsMet())


def _poured(moment: Moment) -> None:
    moment.emit(Poured())
    moment.go(Step.CLOSE_UP)


def _start_turning(moment: Moment) -> None:
    moment.go(Step.SPIN)
    begin_turning(moment)


def _stay(moment: Moment) -> None:
    del moment


@dataclass(frozen=True, slots=True)
class WayOn:
    """Way from a step to the next: its effects, and the checks that may prevent it.

    `hindered` takes the moment and whether a person at the frame confirmed the step. It returns the
    reason against the step in words, or an empty string.
    """

    onwards: Callable[[Moment], None]
    hindered: Callable[[Moment, bool], str] = _nothing


WAYS_ON: dict[Step, WayOn] = {
    Step.PREPARE: WayOn(lambda moment: _up_then_weigh(moment, 1), _list_and_up),
    Step.WEIGH: WayOn(_parts_together, _weights_off),
    Step.MIX: WayOn(lambda moment: moment.go(Step.DEGAS)),
    Step.DEGAS: WayOn(lambda moment: moment.go(Step.POUR), _not_up),
    Step.POUR: WayOn(_poured),
    Step.CLOSE_UP: WayOn(_start_turning, cannot_turn),
    Step.SPIN: WayOn(_stay, _by_itself),
    Step.PARK: WayOn(_stay, _by_itself),
    Step.REST: WayOn(lambda moment: _up_then_weigh(moment, moment.state.index + 2), _rests),
    Step.CURE: WayOn(lambda moment: moment.go(Step.DEMOULD), _cures),
    Step.DEMOULD: WayOn(lambda moment: moment.go(Step.MEASURE)),
    Step.MEASURE: WayOn(lambda moment: moment.go(Step.DONE)),
}
