"""Hands at a simulated frame, so that a whole casting can be made from the page alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from evenwall.model import Answer
from evenwall.model.orders import Simulate

REAL = "This rig is real: its button and its guard are at the frame."


@dataclass(frozen=True, slots=True)
class SimulatedHands:
    """The button and the guard of a simulated frame."""

    press: Callable[[bool], None]  # True: held down
    guard: Callable[[], None]  # opens or closes it


def by_hand(hands: SimulatedHands | None, order: Simulate) -> Answer:
    """Carry out an order at the simulated frame; a real rig refuses."""
    if hands is None:
        return Answer(accepted=False, sentence=REAL)
    if order.what == "guard":
        hands.guard()
        return Answer(accepted=True, sentence="The simulated guard was opened or closed.")
    hands.press(order.what == "hold")
    said = "held" if order.what == "hold" else "pressed"
    return Answer(accepted=True, sentence=f"The simulated button was {said}.")
