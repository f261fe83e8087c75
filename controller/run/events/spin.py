"""Events of changes of a coat's spin while it turns: offered, taken, or left."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from evenwall.model import SpinChange
from evenwall.run.changed_spin import changed_ramps, check_change, spun_ramps
from evenwall.run.events.base import Answered
from evenwall.run.motion import Profile
from evenwall.run.state import RunState
from evenwall.run.user_messages import OFFER_OVER, changed_words, offered_words


class SpinOffered(Answered):
    """A change of the rest of the coat's spin is offered to the person."""

    kind: ClassVar[str] = "spin_offered"
    change: SpinChange

    def fold(self, state: RunState, at_s: float) -> RunState:
        offers = state.coat.offers + 1
        return state.with_coat(offer=self.change, offers=offers, spin_said_s=at_s)

    def line(self) -> str:
        return offered_words(self.change)


class SpinChanged(Answered):
    """The rest of the coat's spin is changed: it turns along the new ramps from their time on."""

    kind: ClassVar[str] = "spin_changed"
    change: SpinChange

    def fold(self, state: RunState, at_s: float) -> RunState:
        """State after this event. Raises InputError for a change that the rig cannot turn."""
        coat = state.coat
        ramps = spun_ramps(state.coat_plan.ramps, coat.changes)
        check_change(ramps, self.change, state.plan.rig)
        changed = replace(
            coat,
            changes=(*coat.changes, self.change),
            spin=Profile.along(changed_ramps(ramps, self.change)),
            offer=None,
            offers=coat.offers if coat.offer == self.change else coat.offers + 1,
            spin_said_s=at_s,
        )
        return state.put_coat(changed)

    def line(self) -> str:
        return changed_words(self.change)


class SpinOfferOver(Answered):
    """An offer is over without being taken: left by a person, too late, or the turning stopped."""

    kind: ClassVar[str] = "spin_offer_over"
    how: str  # a key of user_messages.OFFER_OVER

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return state.with_coat(offer=None)

    def line(self) -> str:
        return OFFER_OVER[self.how]
