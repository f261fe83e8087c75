"""Time that passed while no controller ran, and its credibility."""

from __future__ import annotations

from evenwall.errors import RecordError
from evenwall.model import RigSpec, Step
from evenwall.records.journal import Journal
from evenwall_bridge.clock import MONTH_S, SystemClock

BOOT_S = 300.0  # time of a Pi with a slow card from power-on to this program
TURNING = (Step.SPIN.value, Step.CLOSE_UP.value)
TOLD_S = 60.0  # a smaller error costs no coat


def longest_away_s(journal: Journal, spec: RigSpec) -> float:
    """Longest time since the record's last row for which a clock is believed, in s.

    While a coat turns, this is the time granted to the board plus the time of a boot: after that
    the board has stopped by itself and reports it. At other times it is a month.
    """
    try:
        run_id = journal.unfinished()
        if run_id is None:
            return MONTH_S
        steps = [event for event in journal.events(run_id) if event.kind == "stepped"]
    except RecordError:
        return MONTH_S  # reported when the run is taken up
    turning = bool(steps) and steps[-1].data.get("step") in TURNING
    return spec.grant_s + BOOT_S if turning else MONTH_S


def clock_in_doubt(clock: SystemClock) -> str:
    """Sentence if the civil clock was not believed; empty if it was."""
    said_s = clock.disbelieved_s
    if said_s is None or abs(said_s - clock.gone_s) < TOLD_S:
        return ""
    way = "forward" if said_s >= 0 else "back"
    return (
        f"The computer was restarted. Its clock jumped {way} by {_long(said_s)}, which is wrong. "
        f"The casting's clock was moved on by {_long(clock.gone_s)}, the time since the start. Set "
        "the clock, and touch the cup before you trust the countdown."
    )


def _long(duration_s: float) -> str:
    hours = abs(duration_s) / 3600.0
    if hours < 1.0:
        return f"{abs(duration_s) / 60.0:.0f} min"
    return f"{hours:.0f} h" if hours < 72.0 else f"{hours / 24.0:.0f} days"
