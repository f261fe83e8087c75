"""Live wall: the conditions under which it is computed, and its sentence on a screen."""

from __future__ import annotations

from evenwall.model import LiveWall, Step
from evenwall.run.observation import GelReading
from evenwall.run.state import RunState

GelBand = tuple[float, float, float]  # low, expected and high gel time, s on the coat's clock

LEAST_MM = 0.05  # a smaller loss is not shown: half of the last digit


def standing(state: RunState) -> bool:
    """Whether a poured coat waits for its turning to begin."""
    coat = state.coat
    return state.step is Step.CLOSE_UP and coat.poured_s is not None and coat.spin_from_s is None


def turning(state: RunState) -> bool:
    """Whether the frame turns a coat that has not been found to gel."""
    return state.step is Step.SPIN and state.turning is not None and state.coat.gel_coat_s is None


def has_live_wall(state: RunState) -> bool:
    """Return whether the finished wall can be predicted now. A replay does not turn as its plan
    does."""
    if state.replay_of is not None or state.halted or state.plan.wall.min_mm is None:
        return False
    return standing(state) or turning(state)


def gel_band_s(state: RunState, gel: GelReading) -> GelBand:
    """Return the gel of the coat under way as estimated from the probe, or as planned."""
    clock = state.coat_plan.clock
    found = (gel.low_s, gel.best_s, gel.high_s)
    planned = (clock.gel_low_s, clock.gel_expected_s, clock.gel_high_s)
    low_s, best_s, high_s = (
        one if one is not None else otherwise for one, otherwise in zip(found, planned, strict=True)
    )
    return min(low_s, best_s), best_s, max(best_s, high_s)


def live_view(state: RunState, live: LiveWall | None) -> LiveWall | None:
    """Return the live wall with its sentence; None unless it belongs to this coat in its present
    state."""
    if live is None or not has_live_wall(state) or live.coat != state.coat.coat:
        return None
    if standing(state) != (live.half_minute_mm is not None):
        return None
    return live.model_copy(update={"sentence": _words(live, state.last_coat)})


def _words(live: LiveWall, last: bool) -> str:
    later = "" if last else ", with the later coats as planned"
    low, high = f"{live.low_mm:.1f}", f"{live.high_mm:.1f}"
    span = f" ({low} to {high} mm, depending on the gel)" if low != high else ""
    if live.half_minute_mm is None:
        return (
            f"If it goes on like this, the finished wall is {live.finished_mm:.1f} mm at its "
            f"thinnest{span}{later}. The plan promised {live.planned_mm:.1f} mm."
        )
    costs = "takes nothing from it"
    if live.half_minute_mm >= LEAST_MM:
        costs = f"takes {live.half_minute_mm:.1f} mm from it"
    return (
        f"If turning begins now, the finished wall is {live.finished_mm:.1f} mm at its thinnest"
        f"{span}{later}. Another half minute of waiting {costs}."
    )
