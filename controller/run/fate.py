"""Fate of a coat, judged by its record: as planned, changed, or lost.

A coat becomes a wall only if it turns while it is liquid. Its flow path, the integral of dt/mu up
to the gel, measures how far it can still flow, whatever the position of the frame.
"""

from __future__ import annotations

import enum

import numpy as np
import numpy.typing as npt

from evenwall.model import CoatPlan
from evenwall.planning.batch import turn_by_s
from evenwall.run.state import Coat

Floats = npt.NDArray[np.float64]

# Share of the planned flow path that a closed wall needs. Computed with the film of the lantern
# globe, all three coats equally late, 4.5 mm planned. Thinnest patch: 4.1 mm with a path of 0.87,
# 3.9 with 0.64, 1.3 with 0.43, 1.4 with 0.25, 0.2 mm with 0.11. With 0.03 the wall is partly bare
# and the pool is over 20 mm deep.
LEAST_PATH = 0.2
STOOD_S = 60.0  # standing still for longer than this while liquid changes the wall


class Fate(enum.StrEnum):
    """Fate of a coat in the planned wall."""

    OPEN = "open"  # not poured, or not yet turning in time
    SOUND = "sound"  # poured and turned in time
    CHANGED = "changed"  # turned late, or stood still while liquid: its wall differs from the plan
    LOST = "lost"  # poured or turned when it had gelled or nearly gelled: it forms no wall


def path_left(planned: CoatPlan, time_s: float) -> float:
    """Flow path from `time_s` to the expected gel, as a share of the planned flow path.

    The planned path begins at the planned start of turning. time_s: on the coat's clock. Without a
    viscosity table the remaining time is used in place of the path.
    """
    times, left = _path(planned)
    return float(np.interp(time_s, times, left))


def no_return_s(planned: CoatPlan) -> float:
    """Latest start of turning that still gives a closed wall, on the coat's clock, in s."""
    times, left = _path(planned)
    last_s = float(np.interp(-LEAST_PATH, -left, times))
    return max(last_s, turn_by_s(planned.clock))


def _path(planned: CoatPlan) -> tuple[Floats, Floats]:
    """Times on the coat's clock (rising) and the share of flow path left at each (falling)."""
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
    """Ratio of the gel time found to the planned one; 1 while it is unknown."""
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
