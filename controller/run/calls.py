"""Calls to a person. When hands are needed, the call is repeated on a schedule until answered.

A call goes to the buzzer, to locked phones and to a webhook, and each one is recorded. A press of
the button at the frame, or a command from a page, answers all open calls.
"""

from __future__ import annotations

from evenwall.model import Step
from evenwall.run.alerts import SEVERITY
from evenwall.run.events import Called, CalledAgain, CallOver, CallsAnswered
from evenwall.run.moment import Moment
from evenwall.run.observation import Sound
from evenwall.run.schedule import next_from_s
from evenwall.run.state import RunState
from evenwall.run.user_messages import ALERTS, NEXT_COAT

# Gaps before the 2nd, 3rd ... call, s; the last gap repeats. The first call comes at once.
# Own choices: every minute if the coat is spoilt within minutes, every five if it only waits. After
# an hour it is too late to hurry, and rarer calls keep the record short when a run waits for days.
AGAIN_S: dict[str, tuple[float, ...]] = {
    "act_now": (30.0, 30.0, *(60.0,) * 59, 600.0),
    "caution": (120.0, 180.0, *(300.0,) * 11, 3600.0),
    "hands": (180.0, *(300.0,) * 12, 3600.0),
}
HANDS = {"next_coat": NEXT_COAT, "open_mould": "The mould may be opened.", "waiting": ""}
BEEPS = {"act_now": 3, "caution": 1, "hands": 1}
# Senders that are parts of the rig: their commands do not mean that a person has answered.
PARTS = frozenset({"scale", "planner", "calls"})


def wanted(state: RunState, now_s: float) -> dict[str, str]:
    """Return the calls that are due now, each with its urgency: act_now, caution or hands."""
    if state.over:
        return {}
    found = {kind: SEVERITY[kind] for kind in state.alerts if SEVERITY[kind] != "note"}
    calls: dict[str, str] = dict(found)
    if not state.halted:
        calls.pop("guard_open", None)  # a person who closes up is at the guard
    if "waiting" in state.alerts:
        calls["waiting"] = "hands"
    from_s = next_from_s(state)
    if from_s is not None and now_s >= from_s and state.step in (Step.REST, Step.CURE):
        calls["next_coat" if state.step is Step.REST else "open_mould"] = "hands"
    return calls


def sentence_of(call: str) -> str:
    """Return the sentence that a call carries."""
    return HANDS.get(call) or ALERTS[call]


def due_again(urgency: str, number: int, since_s: float) -> bool:
    """Whether the next call is due, `since_s` after the call of this number."""
    gaps_s = AGAIN_S[urgency]
    return since_s >= gaps_s[min(number, len(gaps_s)) - 1]


def call_people(moment: Moment) -> None:
    """Make the calls that are due, repeat those without an answer, and end those that are over."""
    calls = wanted(moment.state, moment.now_s)
    for call, urgency in sorted(calls.items()):
        standing = moment.state.calls.get(call)
        if standing is None:
            _call(moment, call, urgency, 1)
        elif not standing.answered and due_again(
            urgency, standing.number, moment.now_s - standing.last_s
        ):
            _call(moment, call, urgency, standing.number + 1)
            moment.actions.append(Sound(BEEPS[urgency]))
    for call in sorted(moment.state.calls.keys() - calls.keys()):
        moment.emit(CallOver(call=call))


def _call(moment: Moment, call: str, urgency: str, number: int) -> None:
    event = Called if number == 1 else CalledAgain
    moment.emit(event(call=call, urgency=urgency, number=number, sentence=sentence_of(call)))


def unanswered(state: RunState) -> tuple[str, ...]:
    """Return the calls that nobody has answered yet."""
    return tuple(sorted(call for call, one in state.calls.items() if not one.answered))


def answer_calls(moment: Moment, who: str) -> None:
    """Note that a person is there, so that open calls are not repeated."""
    calls = unanswered(moment.state)
    if calls:
        moment.emit(CallsAnswered(calls=calls, who=who))
