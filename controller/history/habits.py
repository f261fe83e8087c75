"""Habits of a maker, measured from earlier castings of this rig."""

from __future__ import annotations

from statistics import median

from evenwall.records.journal import Journal
from evenwall.run.events import Poured, StepTakenBack, TurningBegan

RUNS = 5  # number of the newest castings that count
LONGEST_S = 900.0  # after a longer time the person had gone away


def close_up_taken_s(journal: Journal) -> float | None:
    """Return the time from the end of the pour to the start of turning, in s.

    The time is the median over the coats of the newest castings, or None if there is no such coat.
    """
    taken: list[float] = []
    for run_id in journal.run_ids()[:RUNS]:
        poured_s: float | None = None
        for row in journal.events(run_id):
            if row.kind == Poured.kind:
                poured_s = row.at_s
            elif row.kind == StepTakenBack.kind:
                poured_s = None
            elif row.kind == TurningBegan.kind and poured_s is not None:
                taken.append(row.at_s - poured_s)
                poured_s = None
    usual = [time_s for time_s in taken if time_s <= LONGEST_S]
    return median(usual) if usual else None
