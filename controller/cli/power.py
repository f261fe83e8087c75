"""Time that passed while no controller ran, and its credibility."""

from __future__ import annotations

from collections.abc import Sequence

from evenwall.errors import RecordError
from evenwall.model import Event, RigSpec, Step
from evenwall.records.journal import Journal
from evenwall_bridge.clock import MONTH_S, SystemClock

BOOT_S = 300.0  # time of a Pi with a slow card from power-on to this program
TURNING = (Step.SPIN.value, Step.CLOSE_UP.value)
TOLD_S = 60.0  # a smaller error costs no coat


def resumed(journal: Journal, spec: RigSpec, speed: float) -> SystemClock:
    """Return the rig's clock, continued from the last process.

    It never starts before the last event of the run that goes on. If the note of the clock were
    lost, the times of the coat would lie in the future, and a frame that stands still would be
    taken for one that has just begun to turn.
    """
    events = _events(journal)
    least_s = events[-1].at_s if events else 0.0
    return SystemClock(speed, journal.anchor(), longest_away_s(events, spec), least_s)


def _events(journal: Journal) -> list[Event]:
    """Return the events of the run that goes on; none if it cannot be read, which is reported when
    the run is taken up."""
    try:
        run_id = journal.unfinished()
        return [] if run_id is None else journal.events(run_id)
    except RecordError:
        return []


def longest_away_s(events: Sequence[Event], spec: RigSpec) -> float:
    """Longest time since the run's last event for which a clock is believed, in s.

    While a coat turns, this is the time granted to the board plus the time of a boot: after that
    the board has stopped by itself and reports it. At other times it is a month.
    """
    steps = [event for event in events if event.kind == "stepped"]
    turning = bool(steps) and steps[-1].data.get("step") in TURNING
    return spec.grant_s + BOOT_S if turning else MONTH_S


def clock_in_doubt(clock: SystemClock) -> str:
    """Sentence if the civil clock was not believed or the note of the clock was lost; empty if
    neither."""
    if clock.behind_s > TOLD_S:
        return (
            "The computer was restarted, and the record of the casting's clock is lost or damaged. "
            "The clock goes on from the last event, so the time since then is missing. Touch the "
            "cup before you trust the countdown."
        )
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
