"""Rows of a run's curve: when the next one is due, and its columns."""

from __future__ import annotations

import math
from typing import Any

from evenwall.run.observation import GelRow, Observation
from evenwall.run.state import RunState

QUIET = 10.0  # times as long between two rows, while no coat is followed


class Curve:
    """Decides when a row is due: every `sample_s` while there is a coat to follow."""

    def __init__(self, sample_s: float) -> None:
        self._sample_s = sample_s
        self._sampled_s = -math.inf

    def due(self, state: RunState, now_s: float) -> bool:
        """Whether a row is due now. If it is, the time of the next one is set."""
        since_s = now_s - self._sampled_s
        if state.over or since_s < self._sample_s * 0.9:
            return False
        quiet = state.coat_time_s(now_s) is None or state.coat.done
        if quiet and since_s < QUIET * self._sample_s:
            return False
        self._sampled_s = now_s
        return True


def sample_of(state: RunState, now_s: float, seen: Observation) -> dict[str, Any]:
    """Return the columns of a `Sample` at this moment."""
    rig, gel = seen.rig, seen.gel
    return {
        "at_s": now_s,
        "coat": state.index + 1,
        "coat_time_s": state.coat_time_s(now_s),
        "probe_degC": seen.probe_degC,
        "room_degC": seen.room_degC,
        "mould_degC": seen.mould_degC,
        "major_rpm": rig.major.rate_rpm if rig else 0.0,
        "minor_rpm": rig.minor.rate_rpm if rig else 0.0,
        "major_deg": rig.major.angle_deg if rig else 0.0,
        "minor_deg": rig.minor.angle_deg if rig else 0.0,
        "gel_best_s": gel.best_s,
        "gel_low_s": gel.low_s,
        "gel_high_s": gel.high_s,
    }


def gel_row(state: RunState, now_s: float, seen: Observation) -> GelRow | None:
    """Return the row for the coat's gel monitor; None when no coat is waiting to gel."""
    coat_time_s = state.coat_time_s(now_s)
    if coat_time_s is None or state.coat.gel_called_s is not None or state.coat.done:
        return None
    # Use the time of the probe's reading: on a rising curve a later time would look like noise.
    late_s = 0.0 if seen.probe is None else now_s - seen.probe.at_s
    return coat_time_s - late_s, seen.probe_degC, seen.room_degC
