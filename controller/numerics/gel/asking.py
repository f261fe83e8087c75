"""Choice of the most informative touch, if nobody has touched a coat of this resin."""

from __future__ import annotations

import math
from collections.abc import Sequence

from evenwall.numerics.gel.case import Case, Touch, TouchWindow
from evenwall.numerics.gel.fit import Fit

# The cup is touched while its gel is uncertain: from when one cup in twenty has gelled until
# nineteen have, by the fit's own error and a discrepancy as large as the coat's (in the log).
_OPEN_SD, _CUP_OFF_SD = 1.645, 0.07


def touch_window(
    case: Case,
    touches: Sequence[Touch],
    fit: Fit,
    coat_s: tuple[float, float],
    now_s: float,
) -> TouchWindow | None:
    """Return the touch to ask for and its time, or None if a coat of this resin has been touched.

    fit: that of the likeliest hypothesis. coat_s: the times at which the coat has gelled with a
    chance of one half and of nineteen in twenty. A touch of the cup shows how fast this batch runs,
    in time for its coat. A touch of the coat shows the ratio of the two gel times, which no probe
    shows, and so helps the next batch.
    """
    known = any(batch.coat_gel_s is not None for batch in case.earlier)
    if known or any(touch.what == "coat" for touch in touches) or not math.isfinite(fit.log_cup):
        return None
    reach = _OPEN_SD * math.hypot(fit.log_cup_sd, _CUP_OFF_SD)
    until_s = math.exp(fit.log_cup + reach)
    if case.cup_mass_kg is not None and not touches and now_s < until_s:
        return TouchWindow("cup", math.exp(fit.log_cup - reach), until_s)
    return TouchWindow("coat", *coat_s)


def window_words(window: TouchWindow, now_s: float) -> str:
    """Return one sentence that asks for the touch, in whole minutes after the parts met."""
    now, from_min = window.from_s <= now_s, f"{window.from_s / 60.0:.0f}"
    if window.what == "cup":
        until_min = f"{max(window.until_s, now_s + 60.0) / 60.0:.0f}"
        when = f"now and until {until_min}" if now else f"from {from_min} to {until_min}"
        return (
            f"No touch of this resin is known: touch the cup with a stick {when} min after the "
            "parts met."
        )
    when = "now" if now else f"from {from_min} min after the parts met"
    return (
        "No touch of a coat of this resin is known: while the frame stands still, touch the coat "
        f"with a stick {when}."
    )
