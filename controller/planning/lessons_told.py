"""Lessons of measured castings in a plan: its record of them, and what they mean in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from evenwall.errors import NotConverged, OutsideValidity
from evenwall.model import Plan
from evenwall.model.details import LEARNT, LearntDetail
from evenwall.planning.lessons import LASTING, Expected, Lessons, expected_wall
from evenwall.planning.wall_rows import WallSaid
from evenwall.units import percent

# A correction is told from this share on, and a rim's difference from this many mm on.
TOLD, TOLD_MM = 0.01, 0.1
# Share of the mean wall: with a larger mesh error the film does not resolve the thinnest place, and
# lessons about its neighbours say nothing about it (the lighthouse of `make bench ARGS=lessons`).
UNRESOLVED = 0.15
CONTRADICT = 3.0  # surprise from which the measures contradict each other
NUMBERS = ("", "measured casting", "two measured castings", "three measured castings")


def with_lessons(plan: Plan, lessons: Lessons, walls: Sequence[WallSaid]) -> Plan:
    """Return the plan with its lessons as a detail and in its notes; without a casting, as it is.

    Where the plan has a film, the wall that the lessons predict is computed with it. Raises
    InputError.
    """
    if not lessons.runs:
        return plan
    expected = None
    if plan.wall.min_mm is not None:
        try:
            expected = expected_wall(plan, lessons)
        except (NotConverged, OutsideValidity):
            expected = None  # the plan has its own wall, and says so
    said = sentences(plan, lessons, walls, expected)
    learnt = LearntDetail(
        castings=lessons.runs,
        corrections=lessons.corrections,
        spreads={name: round(one, 4) for name, one in zip(LASTING, lessons.spreads, strict=True)},
        surprise=round(lessons.surprise, 3),
        wall_mm={}
        if expected is None
        else {
            "mean": round(expected.mean_mm, 3),
            "min": round(expected.min_mm, 3) if resolved(plan) else None,
            "rim": None if math.isnan(expected.rim_mm) else round(expected.rim_mm, 3),
        },
        sentences=said,
    )
    details = {**plan.details, LEARNT: learnt.model_dump(mode="json")}
    return plan.model_copy(update={"details": details, "notes": (*said, *plan.notes)})


def sentences(
    plan: Plan, lessons: Lessons, walls: Sequence[WallSaid], expected: Expected | None
) -> tuple[str, ...]:
    """Return what was learnt, what the plan reckons with, and the wall to expect."""
    count = len(lessons.runs)
    which = NUMBERS[count] if count < len(NUMBERS) else f"{count} measured castings"
    said = [f"From the last {which} of this mould in this resin: {_rim(walls[-count:])}"]
    reckoned = _reckoned(plan, lessons)
    told = ", ".join(reckoned) if reckoned else "the usual figures, which they confirm"
    said.append(f"This plan reckons with {told}.")
    if expected is not None:
        rim = (
            "" if math.isnan(expected.rim_mm) else f", {expected.rim_mm:.1f} mm on the rim's gauge"
        )
        least = f", {expected.min_mm:.1f} mm at the thinnest place" if resolved(plan) else ""
        said.append(f"After them, expect {expected.mean_mm:.1f} mm on average{least}{rim}.")
    if lessons.surprise > CONTRADICT:
        said.append(
            "Their measures differ from each other more than batches and gauges usually do. Check "
            "the weights and readings of these castings."
        )
    return tuple(said)


def resolved(plan: Plan) -> bool:
    """Return whether the plan's film resolves its thinnest place."""
    return (plan.wall.mesh_error_mm or 0.0) <= UNRESOLVED * plan.wall.mean_mm


def _rim(walls: Sequence[WallSaid]) -> str:
    """Return how much thicker or thinner the rim was than predicted, in words."""
    off_mm = [row.off * one.mean_mm for one in walls for row in one.rows if row.kind == "rim"]
    if not off_mm:
        return "their rims were not measured."
    mean_mm = sum(off_mm) / len(off_mm)
    if abs(mean_mm) < TOLD_MM:
        return f"the rim was as predicted, within {TOLD_MM:g} mm."
    way = "thicker" if mean_mm > 0.0 else "thinner"
    return f"the rim was {abs(mean_mm):.1f} mm {way} than predicted."


def _reckoned(plan: Plan, lessons: Lessons) -> list[str]:
    """Return the corrections that are large enough to tell, in words."""
    c = lessons.corrections
    words = {
        "viscosity": ("a resin {0} more viscous", "a resin {0} less viscous"),
        "gel": ("a gel {0} later", "a gel {0} earlier"),
        "heat": ("{0} more heat from earlier coats", "{0} less heat from earlier coats"),
        "stays": ("{0} more resin in the mould", "{0} less resin in the mould"),
        "thickness": ("{0} less shrinkage", "{0} more shrinkage"),
    }
    told = [
        words[name][0 if off > 0.0 else 1].format(percent(abs(off)))
        for name in words
        if abs(off := getattr(c, name) - 1.0) >= TOLD
    ]
    coat = plan.coats[-1]
    lid = (coat.in_mould_g - (coat.in_mould_g - coat.lid_g) / c.stays) / coat.in_mould_g
    if abs(c.lid - 1.0) >= TOLD and lid > 0.0:
        told.append(f"a lid that keeps {percent(lid)} of the pour")
    return told
