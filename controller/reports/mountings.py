"""Comparison of the ways to mount a mould, as a page shows it. Runs in a separate process."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence

from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, MountingTried, RigSpec
from evenwall.planning.mounting import DIFFERENT, Mounting, compare, mounted
from evenwall.reports.mounting_view import picture

PICTURE_DPI = 220  # a phone shows it whole; 700 pixels wide


def compared(
    casting: Casting, rig: RigSpec, *, progress: Callable[[float, str], None]
) -> tuple[tuple[MountingTried, ...], bytes]:
    """Try the mountings and return them, the best first. The picture, PNG, shows the best and the
    file's.

    Raises PlanError where no plan of the casting can work in any mounting.
    """
    tried = compare(casting, rig, progress=progress)
    cavity, drawn = load_cavity(casting), io.BytesIO()
    chosen = [one for k, one in enumerate(tried) if k == 0 or one.given]  # the best, and the file's
    some = [(one, cavity.mounted(mounted(casting, one).mount)) for one in chosen]
    picture(casting.name, some, stacked=True).savefig(drawn, format="png", dpi=PICTURE_DPI)
    return rows_of(tried), drawn.getvalue()


def rows_of(tried: Sequence[Mounting]) -> tuple[MountingTried, ...]:
    """Return these mountings in the form that is sent."""
    given = next(one.thinnest for one in tried if one.given)
    return tuple(
        MountingTried(
            minor_axis=one.minor_axis,
            mouth_lean_deg=round(one.mouth_lean_deg, 1),
            thinnest=round(one.thinnest, 3),
            bound=None if math.isnan(one.bound) else round(one.bound, 3),
            given=one.given,
            better=one.thinnest - given >= DIFFERENT,
        )
        for one in tried
    )
