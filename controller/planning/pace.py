"""Remaining time of a search, from its pace so far."""

from __future__ import annotations

from evenwall_bridge.contract import Clock

# The steps before the search take a moment; from here on the pace is about constant.
TELLS_FROM = 0.15
SOON_S = 45.0


class Pace:
    """Pace of one search, from the fractions that it reports as done."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._began: tuple[float, float] | None = None  # the time and the fraction done then

    def left_s(self, fraction: float) -> float | None:
        """Return the time still to go, or None before there is a pace and at the end."""
        now_s = self._clock.now_s()
        if self._began is None:
            if fraction >= TELLS_FROM:
                self._began = now_s, fraction
            return None
        began_s, began_at = self._began
        return time_left_s(now_s - began_s, began_at, fraction)


def time_left_s(spent_s: float, from_fraction: float, fraction: float) -> float | None:
    """Return the time that a search will still take at its pace so far, or None without a pace.

    spent_s: time since `from_fraction` of it was done. fraction: done now.
    """
    done = fraction - from_fraction
    if done <= 0.0 or fraction >= 1.0:
        return None
    return spent_s / done * (1.0 - fraction)


def left_words(left_s: float | None) -> str:
    """Return the remaining time as words that follow others, or nothing if it is unknown."""
    if left_s is None:
        return ""
    return ", less than a minute left" if left_s < SOON_S else f", {left_s / 60.0:.0f} min left"
