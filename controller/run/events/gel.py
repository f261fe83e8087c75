"""Events of the gel (predicted, found, touched) and of a run's alerts."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from evenwall.planning.in_words import clock_words
from evenwall.run.events.base import Answered, RunEvent
from evenwall.run.state import RunState
from evenwall.run.user_messages import ALERTS


class Foreseen(RunEvent):
    """The estimate says something new about the coat's gel. Times on the coat's clock."""

    kind: ClassVar[str] = "foreseen"
    sentence: str
    says: str = ""  # statement as a code without figures
    words: str = ""  # statement in earlier rows: the sentence without its digits
    best_s: float | None = None
    low_s: float | None = None
    high_s: float | None = None

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        said = self.says or self.words
        return state.with_coat(gel_says=(*state.coat.gel_says, said))

    def line(self) -> str:
        return self.sentence


class Gelled(RunEvent):
    """The coat has gelled, according to the probe, the model or a touch."""

    kind: ClassVar[str] = "gelled"
    gel_coat_s: float  # on the coat's clock
    how: str
    safe_s: float  # time from which the frame may stop, on the rig's clock

    def fold(self, state: RunState, at_s: float) -> RunState:
        return state.with_coat(
            gel_coat_s=self.gel_coat_s,
            gel_called_s=at_s,
            gel_how=self.how,
            safe_s=self.safe_s,
        )

    def line(self) -> str:
        after = clock_words(self.gel_coat_s)
        return f"The coat gelled {after} after its parts met, according to the {self.how}."


class Touched(Answered):
    """A person found the cup, or the coat, gelled."""

    kind: ClassVar[str] = "touched"
    what: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        return state.with_coat(touches=(*state.coat.touches, (self.what, at_s)))

    def line(self) -> str:
        return f"The {self.what} was found gelled."


class TouchTakenBack(Answered):
    """A person took the latest touch back."""

    kind: ClassVar[str] = "touch_taken_back"
    what: str
    gel: bool  # the coat still turns, and only this touch had reported its gel

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        coat = replace(state.coat, touches=state.coat.touches[:-1])
        if self.gel:
            coat = replace(coat, gel_coat_s=None, gel_called_s=None, gel_how="", safe_s=None)
        return state.put_coat(coat)

    def line(self) -> str:
        return f"The touch of the {self.what} was taken back."


class AlertRaised(RunEvent):
    """An alert begins."""

    kind: ClassVar[str] = "alert"
    alert: str  # a key of user_messages.ALERTS

    def fold(self, state: RunState, at_s: float) -> RunState:
        return replace(state, alerts={**state.alerts, self.alert: at_s})

    def line(self) -> str:
        return ALERTS[self.alert]


class AlertOver(RunEvent):
    """An alert is over."""

    kind: ClassVar[str] = "alert_over"
    hidden: ClassVar[bool] = True
    alert: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return replace(state, alerts={k: v for k, v in state.alerts.items() if k != self.alert})
