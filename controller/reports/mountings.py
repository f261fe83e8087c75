"""Comparison of the ways to mount a mould, as a page shows it. Runs in a separate process."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence

from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, MountingTried, RigSpec
from evenwall.planning.mounting import DIFFERENT, Mounting, compare, mounted
from evenwall.reports.mounting_view import SHOWN, picture

PICTURE_DPI = 110  # a phone shows it whole; about a thousand pixels wide


def compared(
    casting: Casting, rig: RigSpec, *, progress: Callable[[float, str], None]
) -> tuple[tuple[MountingTried, ...], bytes]:
    """Try the mountings and return them, the best first, with a picture as PNG.

    Raises PlanError where no plan of the casting can work in any mounting.
    """
    tried = compare(casting, rig, progress=progress)
    cavity, drawn = load_cavity(casting), io.BytesIO()
    some = [(one, cavity.mounted(mounted(casting, one).mount)) for one in tried[:SHOWN]]
    picture(casting.name, some).savefig(drawn, format="png", dpi=PICTURE_DPI)
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
