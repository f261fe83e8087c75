"""Fate of a coat, by its record: as planned, changed, or lost.

A coat becomes a wall only while it turns liquid. Its flow path, the integral of dt/mu to the gel,
says how far it can still run: it does not depend on where the frame stands.
"""

from __future__ import annotations

import enum

import numpy as np
import numpy.typing as npt

from evenwall.model import CoatPlan
from evenwall.planning.batch import turn_by_s
from evenwall.run.state import Coat

Floats = npt.NDArray[np.float64]

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
    times, left = _path(planned)
    return float(np.interp(time_s, times, left))


def no_return_s(planned: CoatPlan) -> float:
    """Latest start of turning that still gives a closed wall, on the coat's clock, in s."""
    times, left = _path(planned)
    last_s = float(np.interp(-LEAST_PATH, -left, times))
    return max(last_s, turn_by_s(planned.clock))


def _path(planned: CoatPlan) -> tuple[Floats, Floats]:
    """Times of the coat's clock, rising, and the share of the flow path left then, falling."""
    clock = planned.clock
    gel_s, from_s = clock.gel_expected_s, clock.spin_from_s
    if len(planned.viscosity) < 2:
        return np.array([from_s, gel_s]), np.array([1.0, 0.0])
    times, viscosity = (np.array(column) for column in zip(*planned.viscosity, strict=True))
    fluidity = 1.0 / viscosity
    way = np.concatenate([[0.0], np.cumsum(0.5 * (fluidity[1:] + fluidity[:-1]) * np.diff(times))])
    ends, begins = np.interp([gel_s, from_s], times, way)
    return times, np.maximum(0.0, ends - way) / max(ends - begins, 1e-12)


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
    late = from_s - met_s > turn_by_s(planned.clock) * max(1.0, slower)
    if coat.gave_up or (late and from_s - met_s >= no_return_s(planned) * slower):
        return Fate.LOST
    return Fate.CHANGED if late or coat.stood_s > STOOD_S else Fate.SOUND
