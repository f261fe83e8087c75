"""Events of calls to people: the call, whom it reached, and the answer."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from evenwall.run.events.base import Answered, RunEvent
from evenwall.run.state import Call, RunState


class Called(RunEvent):
    """A person was called for the first time; an alert or a step already states the reason."""

    kind: ClassVar[str] = "called"
    hidden: ClassVar[bool] = True
    call: str  # an alert's kind, next_coat or open_mould
    urgency: str  # act_now, caution or hands
    number: int  # 1 for the first
    sentence: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        before = state.calls.get(self.call)
        answered = before is not None and before.answered
        one = Call(last_s=at_s, number=self.number, answered=answered)
        return replace(state, calls={**state.calls, self.call: one})

    def line(self) -> str:
        return f"Called for {self.call.replace('_', ' ')}, time {self.number}."


class CalledAgain(Called):
    """A person was called again, because nobody had answered."""

    kind: ClassVar[str] = "called_again"
    hidden: ClassVar[bool] = False


CALLS = frozenset({Called.kind, CalledAgain.kind})


class CallOver(RunEvent):
    """The reason for a call is over."""

    kind: ClassVar[str] = "call_over"
    hidden: ClassVar[bool] = True
    call: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return replace(state, calls={k: v for k, v in state.calls.items() if k != self.call})


class CallsAnswered(RunEvent):
    """A person answered the open calls."""

    kind: ClassVar[str] = "calls_answered"
    hidden: ClassVar[bool] = True  # the record has the person's action anyway
    calls: tuple[str, ...]
    who: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        kept = {
            call: replace(one, answered=one.answered or call in self.calls)
            for call, one in state.calls.items()
        }
        return replace(state, calls=kept)

    def line(self) -> str:
        return f"Call answered by {self.who}."


class CallSent(Answered):
    """A call reached somebody over a channel, or failed for a stated reason."""

    kind: ClassVar[str] = "call_sent"
    call: str
    number: int
    channel: str  # push, webhook or broker
    reached: str = ""  # the person reached; empty: nobody
    why: str = ""

    def line(self) -> str:
        what = f"Call for {self.call.replace('_', ' ')} by {self.channel}"
        if self.reached == f"the {self.channel}":
            return f"{what}."
        return f"{what}: {self.reached}." if self.reached else f"{what} did not arrive: {self.why}."
