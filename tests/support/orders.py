"""Commands as tests write them: a name and its data, read as the web's and the broker's are."""

from __future__ import annotations

from typing import Any

from evenwall.model import Command, Order, Plan, read_order
from evenwall.model.orders import StartOwn
from evenwall.run.orders import ChangeSpin, Refine, Replan, ReportCall

INSIDE = {
    "refined": Refine,
    "replanned": Replan,
    "call_sent": ReportCall,
    "spin_changed": ChangeSpin,
}


def order_of(name: str, **data: Any) -> Order:
    """Return an order; a plan that is no document is one of the program's own."""
    if name == "start" and isinstance(data.get("plan"), Plan):
        return StartOwn(plan=data["plan"])
    if name in INSIDE:
        return INSIDE[name](**data)
    return read_order(name, data)


def command(
    name: str, key: str, *, step_id: str | None = None, who: str = "console", **data: Any
) -> Command:
    """Return a command. Raises InputError where its data does not fit."""
    return Command(key=key, step_id=step_id, who=who, order=order_of(name, **data))
