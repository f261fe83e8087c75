"""`evenwall changes`: a casting file in; what would make its thinnest place thicker, in numbers."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from evenwall.cli.mounting import picture_file
from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, RigSpec
from evenwall.planning.changes import EASED_MM, Change, Outcome, compare, gain

Progress = Callable[[float, str], None]

WHY = {
    "ridge": "The skin turns there in a tight ridge, and surface tension draws the resin off it.",
    "crease": "The skin turns there in a tight crease; surface tension draws the resin into it and "
    "thins the wall beside it.",
    "rim": "It lies at the opening, where the film ends and drains.",
    "spins": "Other spins could leave more there: try `evenwall plan --searches 3`.",
    "form": "No mixture of the spins tried leaves more there, so form, mounting, coats or resin "
    "decide.",
}
HOW = {
    "coat_more": "Write the number of coats into the casting file; it costs one more mix.",
    "thinner_mix": "Look for such a resin; its data sheet and safety data sheet apply.",
    "thicker_mix": "Look for such a resin; its data sheet and safety data sheet apply.",
    "eased": "Ease the edges on the master, if the form allows it.",
    "mounted": "`evenwall mounting` draws it and says what to write.",
}


@dataclass(frozen=True)
class Compared:
    """Changes planned for a casting: the casting as it is first, then the best first."""

    casting: Casting
    planned: tuple[Change, ...]

    @property
    def given(self) -> Outcome:
        """The outcome of the casting as it is."""
        outcome = self.planned[0].outcome
        if outcome is None:
            raise ValueError("the casting itself has no plan")
        return outcome

    def data(self) -> dict[str, Any]:
        return {
            "kind": "evenwall/changes",
            "casting": self.casting.name,
            "thinnest_at_mm": [round(part, 1) for part in self.given.place_mm],
            "held_by": self.given.holds,
            "changes": [
                {
                    "change": one.kind,
                    "coats": one.casting.coats,
                    "minor_axis": list(one.casting.mount.minor_axis),
                    "refused": one.refused,
                    **_figures(one.outcome),
                }
                for one in self.planned
            ],
        }

    def words(self) -> str:
        lines = [
            f"{self.casting.name}: thinnest patch divided by the mean wall, one full plan for each "
            "change",
            "  thinnest             worst day  at most  change",
        ]
        for one in self.planned:
            found = one.outcome
            if found is None:
                lines.append(f"  {'refused':<39}  {label(one)} ({one.refused})")
                continue
            worst = "-" if math.isnan(found.worst) else f"{found.worst:.2f}"
            lines.append(
                f"  {found.thinnest:>8.2f} +- {found.error:.2f}  {worst:>12}  {found.bound:>7.2f}"
                f"  {label(one)}"
            )
        at = ", ".join(f"{part:.0f}" for part in self.given.place_mm)
        place = f"As the file says, the thinnest place is near [{at}] mm in the mesh."
        return "\n".join([*lines, f"{place} {WHY[self.given.holds]}", *self.advice()])

    def advice(self) -> list[str]:
        """Return the sentences for what to do."""
        gains = [(one, *gain(one.outcome, self.given)) for one in self.planned[1:] if one.outcome]
        better = [
            f"{_opening(one)}: gains {more:.2f} +- {error:.2f} of the mean wall. {HOW[one.kind]}"
            for one, more, error in gains
            if more > error
        ]
        if better:
            return better
        sentence = "No change gains more than the error of the two plans."
        best = max(gains, key=lambda found: found[1], default=None)
        if best is None or best[1] <= 0.0:
            return [sentence]
        one, more, error = best
        return [
            f"{sentence} The likeliest gain: {label(one)}, {more:.2f} +- {error:.2f} of the mean."
        ]


def _opening(change: Change) -> str:
    words = label(change)
    return f"{words[0].upper()}{words[1:]}"


def _figures(found: Outcome | None) -> dict[str, Any]:
    if found is None:
        return {}
    return {
        "thinnest_over_mean": round(found.thinnest, 3),
        "error_over_mean": round(found.error, 3),
        "worst_over_mean": None if math.isnan(found.worst) else round(found.worst, 3),
        "bound_over_mean": None if math.isnan(found.bound) else round(found.bound, 3),
    }


def label(change: Change) -> str:
    """Return the words for a change."""
    coats = change.casting.coats
    at = ", ".join(f"{part:g}" for part in change.casting.mount.minor_axis)
    return {
        "as_planned": f"as the file says, {coats} coats",
        "coat_more": f"{coats} coats",
        "thinner_mix": "a mix half as thick, or one that takes twice as long to gel",
        "thicker_mix": "a mix twice as thick, or one that gels in half the time",
        "eased": f"sharp edges eased to a radius of {EASED_MM:g} mm",
        "mounted": f"mounted with the minor axis along [{at}]",
    }[change.kind]


def run(args: argparse.Namespace, casting: Casting, rig: RigSpec, progress: Progress) -> Compared:
    """Plan the changes and draw them where a picture is asked for. Raises InputError."""
    target = picture_file(args.picture)
    found = Compared(casting, compare(casting, rig, seed=args.seed, progress=progress))
    if target is not None:
        from evenwall.reports.changes_view import Bar, picture

        bars = [
            Bar(label(one))
            if one.outcome is None
            else Bar(label(one), one.outcome.thinnest, one.outcome.error, one.outcome.bound)
            for one in found.planned
        ]
        place_mm = found.given.place_mm
        picture(casting.name, load_cavity(casting), place_mm, bars).savefig(target, dpi=110)
    return found
