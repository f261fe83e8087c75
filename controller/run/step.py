"""Pure function of a run: `step(state, now_s, seen) -> (state, actions)`, no clock, no I/O.

Everything that happens becomes an event, and only the fold of events changes the state. So a
restarted process that reads the journal back has the same state as the first one had.
"""

from __future__ import annotations

from evenwall.run.alerts import SEVERITY, alert_kinds
from evenwall.run.calls import PARTS, answer_calls, call_people
from evenwall.run.commands import command_given
from evenwall.run.events import AlertOver, AlertRaised, Parked
from evenwall.run.faults import failed, insist_on_stop, stopped_by_itself, watch_guard
from evenwall.run.frame_button import AT_THE_BUTTON, light_of, press
from evenwall.run.gelling import follow_gel
from evenwall.run.moment import Moment
from evenwall.run.next_step import steps_by_themselves
from evenwall.run.observation import Action, Observation, Show, Sound
from evenwall.run.spin_offer import watch_offer
from evenwall.run.state import RunState
from evenwall.run.turning import keep_turning, rejoin


def step(state: RunState, now_s: float, seen: Observation) -> tuple[RunState, list[Action]]:
    """Return the state and the actions that follow from an observation at one moment.

    The actions are in order; records among them are already folded into the state.
    """
    moment = Moment(state, now_s, seen)
    watch_guard(moment)
    if seen.rejoin:
        rejoin(moment)
    stopped_by_itself(moment)
    insist_on_stop(moment)
    if seen.failed:
        failed(moment)
    for pressed in seen.presses:
        answer_calls(moment, AT_THE_BUTTON)
        press(moment, pressed)
    for command in seen.commands:
        if command.who not in PARTS:
            answer_calls(moment, command.who)
        command_given(moment, command)
    if seen.parked and moment.state.moving == seen.parked:
        moment.emit(Parked(at=seen.parked))
    follow_gel(moment)
    keep_turning(moment)
    watch_offer(moment)
    steps_by_themselves(moment)
    _alerts(moment)
    return moment.state, moment.actions


def _alerts(moment: Moment) -> None:
    wanted = alert_kinds(moment.state, moment.now_s, moment.seen)
    for kind in sorted(wanted - moment.state.alerts.keys()):
        moment.emit(AlertRaised(alert=kind))
        moment.actions.append(Sound(3 if SEVERITY[kind] == "act_now" else 1))
    for kind in sorted(moment.state.alerts.keys() - wanted):
        moment.emit(AlertOver(alert=kind))
    call_people(moment)
    moment.actions.append(Show(light_of(moment.state, moment.now_s, moment.seen)))
