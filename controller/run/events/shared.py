"""Events of state that phones share: ticks of the list, and text typed but not sent."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from evenwall.run.events.base import Answered
from evenwall.run.state import RunState


class Ticked(Answered):
    """Lines of the list were ticked or unticked; holds the state of the whole list."""

    kind: ClassVar[str] = "ticked"
    hidden: ClassVar[bool] = True
    done: tuple[int, ...]  # numbers of the lines that are done, from 0

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return replace(state, ticked=frozenset(self.done))


class Drafted(Answered):
    """Something was typed into a field of the sheet, and not sent."""

    kind: ClassVar[str] = "drafted"
    hidden: ClassVar[bool] = True
    field: str
    value: str  # empty: the field is empty

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        others = {name: value for name, value in state.drafts.items() if name != self.field}
        if self.value:
            others[self.field] = self.value
        return replace(state, drafts=others)
