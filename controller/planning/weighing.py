"""Check of the two weights against the ratio of the parts.

The temperature of a mix does not reveal a wrong ratio: a few per cent change the exotherm no more
than batches differ, and yet the resin stays soft. So the weights are checked before the parts meet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from evenwall.errors import InputError

WARN_PERCENT, REFUSE_PERCENT = 1.0, 5.0  # common practice, no source


@dataclass(frozen=True, slots=True)
class Weighing:
    """Result of a check. off_percent: error of the ratio B to A, positive with too much B.
    `sentence` says what to add."""

    off_percent: float
    verdict: Literal["good", "warn", "refuse"]
    sentence: str


def check(part_a_g: float, part_b_g: float, b_per_100a: float) -> Weighing:
    """Check both weights against the sheet's ratio by weight. Raises InputError if a weight is not
    above 0.

    Beyond REFUSE_PERCENT no gel is predicted.
    """
    for name, value in (("part_a_g", part_a_g), ("part_b_g", part_b_g)):
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(name, value, "must be more than 0 g", unit="g")
    off = 100.0 * (part_b_g / part_a_g / (b_per_100a / 100.0) - 1.0)
    if abs(off) <= WARN_PERCENT:
        return Weighing(off, "good", f"The parts are at their ratio, {off:+.1f} %.")
    part, missing_g = (
        ("A", part_b_g * 100.0 / b_per_100a - part_a_g)
        if off > 0.0
        else ("B", part_a_g * b_per_100a / 100.0 - part_b_g)
    )
    mend = f"B is {off:+.1f} % off its ratio to A: add {missing_g:.1f} g of {part}"
    if abs(off) <= REFUSE_PERCENT:
        return Weighing(off, "warn", mend + ".")
    return Weighing(
        off, "refuse", mend + ", or weigh again; the gel of this mix cannot be predicted."
    )
