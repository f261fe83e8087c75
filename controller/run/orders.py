"""Orders that the program gives to a run by itself; nobody can send them."""

from __future__ import annotations

from typing import ClassVar

from evenwall.model import Plan, SpinChange
from evenwall.model.orders import Order
from evenwall.run.events import PlanRest


class Begin(Order):
    """Begin a run: its plan has been found and admitted."""

    name: ClassVar[str] = "start"
    inside: ClassVar[bool] = True
    plan: Plan
    run_id: str
    replay_of: str | None = None
    close_up_s: float | None = None  # time that the maker needed in recent castings


class Replan(Order):
    """Take a new plan for the coats after `coats_done`."""

    name: ClassVar[str] = "replanned"
    inside: ClassVar[bool] = True
    coats_done: int
    rest: PlanRest
    sentence: str


class Refine(Order):
    """Replace the first answer by the full plan, before the first pour."""

    name: ClassVar[str] = "refined"
    inside: ClassVar[bool] = True
    rest: PlanRest
    sentence: str


class ChangeSpin(Order):
    """Change the rest of the present coat's spin, or offer the change to the person.

    ask: offer it only.
    """

    name: ClassVar[str] = "spin_changed"
    inside: ClassVar[bool] = True
    change: SpinChange
    ask: bool


class ReportCall(Order):
    """Note whom a call reached over a channel.

    reached: empty if the call reached nobody; `why` then gives the reason.
    """

    name: ClassVar[str] = "call_sent"
    inside: ClassVar[bool] = True
    call: str
    number: int
    channel: str
    reached: str = ""
    why: str = ""
