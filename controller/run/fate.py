"""Fate of a coat, by its record: as planned, changed, or lost.

A coat becomes a wall only while it turns liquid. Its flow path, the integral of dt/mu to the gel,
says how far it can still run: it does not depend on where the frame stands.
"""

from __future__ import annotations

import enum

import numpy as np

from evenwall.model import CoatPlan
from evenwall.planning.batch import turn_by_s
from evenwall.run.state import Coat

# Of the flow path that the plan counts on, needed for a closed wall. The lantern globe's film, all
# three coats as late, thinnest patch of 4.5 mm wanted: path 0.87 leaves 4.1 mm, 0.64 3.9, 0.43 1.3,
# 0.25 1.4, 0.11 0.2 mm; 0.03 leaves bare wall and a pool of over 20 mm.
LEAST_PATH = 0.2
STOOD_S = 60.0  # standing while liquid for longer than this changes the wall


class Fate(enum.StrEnum):
    """Fate of a coat in the wall that the plan foresees."""

    OPEN = "open"  # not poured, or not yet turning in time
    SOUND = "sound"  # poured and turned in time
    CHANGED = "changed"  # turned late, or stood while liquid: its wall is another one
    LOST = "lost"  # poured or turned when it had gelled, or nearly: it is no wall


def path_left(planned: CoatPlan, time_s: float) -> float:
    """Flow path from `time_s` to the expected gel, over that from the planned start of turning.

    time_s: on the coat's clock. Without a viscosity table the time left stands for the path.
    """
    clock = planned.clock
    gel_s, from_s = clock.gel_expected_s, clock.spin_from_s
    if len(planned.viscosity) < 2:
        return max(0.0, (gel_s - time_s) / (gel_s - from_s))
    times, viscosity = (np.array(column) for column in zip(*planned.viscosity, strict=True))
    fluidity = 1.0 / viscosity
    way = np.concatenate([[0.0], np.cumsum(0.5 * (fluidity[1:] + fluidity[:-1]) * np.diff(times))])
    ends, now, then = np.interp([gel_s, time_s, from_s], times, way)
    return float(max(0.0, (ends - now) / max(ends - then, 1e-12)))


def no_return_s(planned: CoatPlan) -> float:
    """Latest start of turning that still gives a closed wall, on the coat's clock, in s."""
    low_s, high_s = turn_by_s(planned.clock), planned.clock.gel_expected_s
    if path_left(planned, low_s) <= LEAST_PATH:
        return low_s
    for _ in range(20):  # to a millisecond
        middle_s = 0.5 * (low_s + high_s)
        if path_left(planned, middle_s) > LEAST_PATH:
            low_s = middle_s
        else:
            high_s = middle_s
    return low_s


def pace(planned: CoatPlan, coat: Coat) -> float:
    """Gel time as found over the one that was planned; 1 while nobody knows."""
    return 1.0 if coat.gel_coat_s is None else coat.gel_coat_s / planned.clock.gel_expected_s


def fate(planned: CoatPlan, coat: Coat) -> Fate:
    """Return the fate of this coat, as recorded so far."""
    met_s, poured_s, from_s = coat.parts_met_s, coat.poured_s, coat.spin_from_s
    if met_s is None or poured_s is None:
        return Fate.OPEN
    slower = pace(planned, coat)
    if poured_s - met_s >= planned.clock.gel_low_s * slower:
        return Fate.LOST
    if from_s is None:
        return Fate.OPEN
    if coat.gave_up or from_s - met_s >= no_return_s(planned) * slower:
        return Fate.LOST
    late = from_s - met_s > turn_by_s(planned.clock) * max(1.0, slower)
    return Fate.CHANGED if late or coat.stood_s > STOOD_S else Fate.SOUND
