"""Error of the wall due to the measured shape of a mould without a drawing."""

from __future__ import annotations

from evenwall.model import Casting, WallSummary

WORTH_WATER_PERCENT = 3.0  # of the skin: above this it pays to weigh water


def relative_error(casting: Casting) -> float | None:
    """Return the relative error of the wall due to the casting's shape, or None for a drawing,
    which counts as exact.

    The pour is weighed, so a skin that is 1 % larger has a wall that is 1 % thinner everywhere.
    """
    return None if casting.shape is None else casting.shape.area_error_percent / 100.0


def with_shape_error(wall: WallSummary, casting: Casting) -> WallSummary:
    """Return the wall with the error of the casting's shape. The worst day also has the largest
    possible skin."""
    relative = relative_error(casting)
    if relative is None:
        return wall
    thinnest_mm = wall.mean_mm if wall.min_mm is None else wall.min_mm
    changes = {"shape_error_mm": relative * thinnest_mm}
    if wall.worst_case_min_mm is not None:
        changes["worst_case_min_mm"] = wall.worst_case_min_mm / (1.0 + relative)
    return wall.model_copy(update=changes)


def shape_notes(casting: Casting) -> list[str]:
    """Return the plan's notes on a measured shape: its error, and ways to reduce it."""
    shape = casting.shape
    if shape is None:
        return []
    off_mm = casting.wall_mm * shape.area_error_percent / 100.0
    note = (
        f"The shape comes from {shape.how or 'measures'}: its skin is known to "
        f"{shape.area_error_percent:.1f} %, so the whole wall may be {off_mm:.2f} mm off."
    )
    if shape.area_error_percent > WORTH_WATER_PERCENT and "water" not in shape.how:
        note += " Weigh the water that the mould holds to know it better."
    return [note]
