"""Times at which STEP pulses are due, exact and slow, from the definition of the motion alone."""

from __future__ import annotations

from collections.abc import Sequence

from evenwall_bridge.motion import POSITION_ONE, SLICE_CYCLES
from evenwall_bridge.wire import Segment


def due_cycles(parts: Sequence[Segment], axis: int) -> list[float]:
    """Return the cycles from the start of a motion that begins at rest to each pulse of one axis.

    Within a slice the axis moves evenly; a pulse is due where the position, which starts at one
    half, crosses a whole step.
    """
    due: list[float] = []
    position = POSITION_ONE // 2
    before = 0
    slices = 0
    for part in parts:
        after = (part.major, part.minor)[axis]
        for k in range(part.slices):
            rates = [before + j * (after - before) // part.slices for j in (k, k + 1)]
            travel = sum(rates)
            first, last = position // POSITION_ONE, (position + travel) // POSITION_ONE
            crossings = range(first + 1, last + 1) if travel > 0 else range(first, last, -1)
            due += [
                (slices + (whole * POSITION_ONE - position) / travel) * SLICE_CYCLES
                for whole in crossings
            ]
            position += travel
            slices += 1
        before = after
    return due
