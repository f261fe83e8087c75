"""Hands at a simulated frame, so that a page alone can do a whole casting on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from evenwall.model import Answer, Command

REAL = "This rig is real: its button and its guard are at the frame."


@dataclass(frozen=True, slots=True)
class SimulatedHands:
    """The button and the guard of a simulated frame."""

    press: Callable[[bool], None]  # True: held down
    guard: Callable[[], None]  # opens or closes it


def by_hand(hands: SimulatedHands | None, command: Command) -> Answer:
    """Do at the simulated frame what a command says; a real rig refuses."""
    what = command.data.get("what")
    if hands is None:
        return Answer(accepted=False, sentence=REAL)
    if what == "guard":
        hands.guard()
        return Answer(accepted=True, sentence="The simulated guard was opened or closed.")
    if what not in ("button", "hold"):
        return Answer(accepted=False, sentence="Name the button, a hold of it, or the guard.")
    hands.press(what == "hold")
    said = "held" if what == "hold" else "pressed"
    return Answer(accepted=True, sentence=f"The simulated button was {said}.")
