"""`evenwall mounting`: compare and draw the ways to mount the mould of a casting file."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenwall.errors import InputError
from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, RigSpec
from evenwall.planning.mounting import DIFFERENT, Mounting, compare, mounted

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Compared:
    """Mountings tried for a casting, the best first."""

    casting: Casting
    tried: tuple[Mounting, ...]

    def data(self) -> dict[str, Any]:
        return {
            "kind": "evenwall/mountings",
            "casting": self.casting.name,
            "mountings": [
                {
                    "minor_axis": list(one.minor_axis),
                    "mouth_lean_deg": round(one.mouth_lean_deg, 1),
                    "thinnest_over_mean": round(one.thinnest, 3),
                    "bound_over_mean": round(one.bound, 3),
                    "given": one.given,
                }
                for one in self.tried
            ],
        }

    def words(self) -> str:
        lines = [
            f"{self.casting.name}: thinnest patch divided by the mean wall, from a short trial of "
            f"spins",
            "  thinnest  at most  mouth off the axis  minor axis in the mesh",
        ]
        for one in self.tried:
            at = ", ".join(f"{part:g}" for part in one.minor_axis)
            mark = "   (as in the file)" if one.given else ""
            lines.append(
                f"  {one.thinnest:>8.2f}  {one.bound:>7.2f}  {one.mouth_lean_deg:>14.0f} deg  "
                f"[{at}]{mark}"
            )
        return "\n".join([*lines, self.advice()])

    def advice(self) -> str:
        """Return the recommendation in words."""
        best, given = self.tried[0], next(one for one in self.tried if one.given)
        gain = best.thinnest - given.thinnest
        if gain < DIFFERENT:
            return (
                "Mount it as the file says: no other way is better by more than the trials "
                f"scatter ({DIFFERENT:.2f})."
            )
        at = ", ".join(f"{part:g}" for part in best.minor_axis)
        return (
            f"Mounted with its mouth {best.mouth_lean_deg:.0f} deg off the minor axis the thinnest "
            f"patch may gain {gain:.2f} of the mean wall. To plan it this way, write under "
            f"[mount] in the casting file: minor_axis = [{at}]. Then check by hand that the mould "
            f"can be held this way, that its clamps clear the frame, and that it can be balanced."
        )


def run(args: argparse.Namespace, casting: Casting, rig: RigSpec, progress: Progress) -> Compared:
    """Compare the mountings and draw them where a picture is asked for. Raises InputError."""
    target = picture_file(args.picture)
    tried = compare(casting, rig, seed=args.seed, progress=progress)
    if target is not None:
        from evenwall.reports.mounting_view import SHOWN, picture

        cavity = load_cavity(casting)
        drawn = [(one, cavity.mounted(mounted(casting, one).mount)) for one in tried[:SHOWN]]
        picture(casting.name, drawn).savefig(target, dpi=110)
    return Compared(casting, tried)


def picture_file(target: Path | None) -> Path | None:
    """Return the file of a picture that is asked for. Raises InputError where none can be made."""
    if target is not None and target.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise InputError("--picture", target.name, "must end in .png, .svg or .pdf")
    if target is not None and not target.resolve().parent.is_dir():
        raise InputError("--picture", target, "must lie in a folder that exists")
    return target
