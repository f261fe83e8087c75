"""Request models of the web's commands: an order with its key and its intended step."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, create_model

from evenwall.model import Frozen, Order
from evenwall.model.orders import ORDERS

Key = Annotated[str, Field(min_length=8, max_length=64, pattern=r"^[A-Za-z0-9_-]+$")]


class Ask(Frozen):
    """Request with a command. A key that was sent before gets its first answer again."""

    key: Key
    step_id: Annotated[str, Field(max_length=120)] | None = None  # refused if the run moved on
    data: Order


def ask_for(name: str) -> type[Ask]:
    """Return the request model of one command, so that the interface's document names its data."""
    order = ORDERS[name]
    required = any(field.is_required() for field in order.model_fields.values())
    default = Field() if required else Field(default_factory=order)
    return create_model(f"Ask_{name}", __base__=Ask, data=(order, default))


def summary_of(name: str) -> str:
    """The first paragraph of the order's docstring, for the interface's description."""
    return " ".join((ORDERS[name].__doc__ or name).split("\n\n")[0].split())
