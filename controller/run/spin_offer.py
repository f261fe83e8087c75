"""Changes of a turning coat's spin: when one may be taken, and the offer of one to a person."""

from __future__ import annotations

from evenwall.errors import InputError
from evenwall.model import Alert, Button, SpinChange, SpinOffer
from evenwall.run.changed_spin import check_change, spun_ramps
from evenwall.run.events import SpinOfferOver
from evenwall.run.live import turning
from evenwall.run.moment import Moment
from evenwall.run.motion import CRUMB_S, FULL_S, PIECE_S
from evenwall.run.observation import Observation
from evenwall.run.state import RunState
from evenwall.run.user_messages import (
    CHANGE_ENOUGH,
    CHANGE_LATE,
    CHANGE_REFUSED,
    CHANGE_STOPPED,
    SPIN_BUTTONS,
    changed_words,
    offered_words,
)

MOST_OFFERS = 3  # changes offered or taken for one coat (our choice)
QUESTION = "spin_change"  # of the answer to an offer
OFFERED, CHANGED = "spin_offered", "spin_changed"  # kinds of the sheet's lines about a change


def may_change(state: RunState, seen: Observation) -> bool:
    """Whether the coat turns in such a way that the rest of its spin may be changed.

    It turns by its own plan and not by a proven run, is liquid, and the board answers without a
    fault.
    """
    rig = seen.rig
    if state.replay_of is not None or state.follower is not None or state.halted:
        return False
    if not turning(state) or state.turning is None or state.turning.ending:
        return False
    return rig is not None and not (seen.rig_lost or rig.faults or rig.coasting)


def hand_over_s(lag_s: float) -> float:
    """Return how far before a moment of the profile the board may already hold its motion, s."""
    return FULL_S + 1.5 * lag_s + PIECE_S + CRUMB_S


def comes_s(state: RunState, profile_s: float) -> float:
    """Return when the turning coat comes to this time of its profile, s on the rig's clock."""
    if state.turning is None:
        raise ValueError("nothing is turning")
    return state.turning.ends_s + profile_s - state.turning.profile_s


def cannot_change(state: RunState, seen: Observation, change: SpinChange) -> str:
    """Reason why the rest of this coat's spin is not changed now; empty if it can be."""
    now = state.turning
    if now is None or not may_change(state, seen) or change.coat != state.coat.coat:
        return CHANGE_STOPPED
    if now.profile_s > change.from_profile_s - CRUMB_S:
        return CHANGE_LATE
    if change != state.coat.offer and state.coat.offers >= MOST_OFFERS:
        return CHANGE_ENOUGH
    ramps = spun_ramps(state.coat_plan.ramps, state.coat.changes)
    try:
        check_change(ramps, change, state.plan.rig)
    except InputError as error:
        return CHANGE_REFUSED.format(why=error)
    return ""


def watch_offer(moment: Moment) -> None:
    """End an offer when the turning has stopped, or the board may soon hold motion beyond it."""
    offer = moment.state.coat.offer
    if offer is None:
        return
    if not may_change(moment.state, moment.seen):
        moment.emit(SpinOfferOver(how="stopped"))
    elif moment.now_s >= _until_s(moment.state, offer, moment.seen.lag_s):
        moment.emit(SpinOfferOver(how="late"))


def _until_s(state: RunState, offer: SpinChange, lag_s: float) -> float:
    return comes_s(state, offer.from_profile_s) - hand_over_s(lag_s)


def offer_view(state: RunState, seen: Observation) -> SpinOffer | None:
    """Return the offer that a person may take now."""
    offer = state.coat.offer
    if offer is None or state.turning is None:
        return None
    return SpinOffer(
        coat=offer.coat,
        why=offer.why,
        going_on_mm=offer.going_on_mm,
        changed_mm=offer.changed_mm,
        gain_low_mm=offer.gain_low_mm,
        until_s=_until_s(state, offer, seen.lag_s),
        sentence=offered_words(offer),
        buttons=tuple(
            Button(command="answer", label=label, data={"question": QUESTION, "value": value})
            for value, label in SPIN_BUTTONS.items()
        ),
    )


def change_alerts(state: RunState) -> tuple[Alert, ...]:
    """Return the lines of the sheet about a change that is offered, or was made for this coat."""
    coat = state.coat
    if not turning(state):
        return ()
    if coat.offer is not None:
        said = offered_words(coat.offer)
        return (Alert(kind=OFFERED, sentence=said, severity="caution", since_s=coat.spin_said_s),)
    if coat.changes:
        said = changed_words(coat.changes[-1])
        return (Alert(kind=CHANGED, sentence=said, severity="note", since_s=coat.spin_said_s),)
    return ()
