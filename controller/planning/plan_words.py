"""Cautions and notes of a plan."""

from __future__ import annotations

from collections.abc import Sequence

from evenwall.model import (
    CoatPlan,
)
from evenwall.planning.batch import (
    Batch,
    Taught,
)
from evenwall.planning.context import PlanningContext
from evenwall.planning.in_words import clock_words
from evenwall.planning.search import Found

MARGIN_S = 60.0  # less than this to begin turning is said before a plan is taken
CAP = "Cap the opening while it turns: an open mouth that points down pours the coat out again."
TRAY = "Stand a drip tray under the frame; what is in it is never poured back."


def opening_caution(context: PlanningContext, coats: Sequence[CoatPlan]) -> list[str]:
    """Cautions about the mouth while it turns."""
    poured_g = sum(c.mix_g - c.cup_left_g for c in coats)
    if context.open:
        spilt_g = sum(c.spill_g for c in coats)
        return [
            f"The mouth is open while it turns: of {poured_g:.0f} g poured about {spilt_g:.0f} g "
            f"run over. {TRAY} A cap would save them."
        ]
    if context.runs_out:
        return [
            "The casting file leaves the mouth open, but of each "
            f"{poured_g / len(coats):.0f} g pour about "
            f"{context.runs_out * poured_g / len(coats):.0f} g would "
            f"run out at the first turn: this plan is for a capped mouth. {TRAY}",
            CAP,
        ]
    return [CAP]


def standing_caution(coats: Sequence[CoatPlan]) -> list[str]:
    """Cautions while a mix stands in its cup."""
    stand = [str(coat.coat) for coat in coats if coat.clock.pour_from_s > 0.0]
    if not stand:
        return []
    which = f"coat {stand[0]}" if len(stand) == 1 else f"coats {', '.join(stand)}"
    return [
        f"The mix of {which} stands in its cup before it is poured, and warms itself there: "
        "leave the cup open, and pour at once if it grows hot or draws threads."
    ]


def margin_caution(coats: Sequence[CoatPlan]) -> list[str]:
    """Say where a person has less than MARGIN_S to spare before turning must begin."""
    spare_s = {
        coat: coat.clock.turn_by_s - coat.clock.spin_from_s
        for coat in coats
        if coat.clock.turn_by_s is not None
    }
    tightest = min(spare_s, key=lambda coat: spare_s[coat], default=None)
    if tightest is None or spare_s[tightest] >= MARGIN_S:
        return []
    return [
        f"Coat {tightest.coat} leaves {max(0.0, spare_s[tightest]):.0f} s to spare: turning must "
        f"begin by {clock_words(tightest.clock.turn_by_s or 0.0)} after its parts meet, or the "
        "wall comes out less even. A slower resin, smaller coats, a cooler shop or less degassing "
        "would leave more."
    ]


def taught_notes(taught: Taught, found: Found) -> list[str]:
    """Notes on the changes that the mould's own past makes."""
    said = []
    if abs(taught.stays - 1.0) >= 0.005:
        said.append(
            f"In {taught.castings} proven castings this mould held {taught.stays:.3f} of "
            "the resin foreseen for it: the weights allow for that."
        )
    s = found.statistics
    if s is not None and abs(taught.rim_factor - 1.0) >= 0.02:
        said.append(
            f"Its rims came out {taught.rim_factor:.2f} times as foreseen against the wall: expect "
            f"{taught.rim_factor * s.rim / s.mean:.2f} of the mean there, not {s.rim / s.mean:.2f}."
        )
    return said


def slump_caution(context: PlanningContext, batch: Batch) -> list[str]:
    limit = context.hold_mm(batch)
    if batch.mean_mm <= limit:
        return []
    return [
        f"A coat of {batch.mean_mm:.1f} mm is more than the {limit:.1f} mm this resin holds while "
        "it turns: it may slump before it thickens. More coats would be surer."
    ]


def rim_is_not_the_wall(hollow_g: float, area_cm2: float, wall_mm: float) -> str:
    return (
        f"The rim is not the wall: {hollow_g:.0f} g on {area_cm2:.0f} cm2 of skin averages "
        f"{wall_mm:.1f} mm, whatever a rim measures."
    )
