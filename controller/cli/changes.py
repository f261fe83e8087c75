"""`evenwall changes`: a casting file in; what would make its thinnest place thicker, in numbers."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from evenwall.cli.mounting import picture_file
from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, RigSpec, Vector3
from evenwall.planning.changes import EASED_MM, SEEDS, Change, compare
from evenwall.planning.trial import DIFFERENT

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Compared:
    """Changes tried for a casting: the casting as it is first, then the best first."""

    casting: Casting
    tried: tuple[Change, ...]

    @property
    def given(self) -> Change:
        return self.tried[0]

    @property
    def place_mm(self) -> Vector3:
        """Thinnest place of the worst trial of the casting as it is, in the mesh's frame."""
        return min(self.given.tried, key=lambda one: one.thinnest).place_mm

    def data(self) -> dict[str, Any]:
        return {
            "kind": "evenwall/changes",
            "casting": self.casting.name,
            "thinnest_at_mm": [round(part, 1) for part in self.place_mm],
            "changes": [
                {
                    "change": one.kind,
                    "coats": one.casting.coats,
                    "minor_axis": list(one.casting.mount.minor_axis),
                    "thinnest_over_mean": [round(trial.thinnest, 3) for trial in one.tried],
                    "bound_over_mean": [round(trial.bound, 3) for trial in one.tried],
                    "refused": one.refused,
                }
                for one in self.tried
            ],
        }

    def words(self) -> str:
        at = ", ".join(f"{part:.0f}" for part in self.place_mm)
        lines = [
            f"{self.casting.name}: thinnest patch divided by the mean wall, mean of {SEEDS} short "
            "trials of spins for each change",
            "  thinnest  at most  change",
        ]
        for one in self.tried:
            if one.tried:
                lines.append(f"  {one.thinnest:>8.2f}  {one.bound:>7.2f}  {label(one)}")
            else:
                lines.append(f"  {'refused':>8}           {label(one)} ({one.refused})")
        lines.append(f"As the file says, the thinnest place is near [{at}] mm in the mesh.")
        return "\n".join([*lines, *self.advice()])

    def advice(self) -> list[str]:
        """Return the sentences for what to do."""
        gains = [(one.gain(self.given), one) for one in self.tried[1:]]
        if all(gain < DIFFERENT for gain, _ in gains):
            return [
                f"No change gains {DIFFERENT:.2f} or more in both trials, which is how far two "
                "trials of one casting differ by chance."
            ]
        return [
            f"{label(one)[0].upper()}{label(one)[1:]}: gains at least {gain:.2f} of the mean wall "
            f"in both trials. {HOW[one.kind]}"
            for gain, one in gains
            if gain >= DIFFERENT
        ]


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


HOW = {
    "coat_more": "Write the number of coats into the casting file; it costs one more mix.",
    "thinner_mix": "Look for such a resin; its data sheet and safety data sheet apply.",
    "thicker_mix": "Look for such a resin; its data sheet and safety data sheet apply.",
    "eased": "Ease the edges on the master, if the form allows it.",
    "mounted": "`evenwall mounting` compares the mountings and says what to write.",
}


def run(args: argparse.Namespace, casting: Casting, rig: RigSpec, progress: Progress) -> Compared:
    """Try the changes and draw them where a picture is asked for. Raises InputError."""
    target = picture_file(args.picture)
    found = Compared(casting, compare(casting, rig, seed=args.seed, progress=progress))
    if target is not None:
        from evenwall.reports.changes_view import Bar, picture

        bars = [Bar(label(one), one.thinnest, one.bound) for one in found.tried]
        figure = picture(casting.name, load_cavity(casting), found.place_mm, bars)
        figure.savefig(target, dpi=110)
    return found
