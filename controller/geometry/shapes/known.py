"""Errors of a shape: what its readings leave open of its skin and of its volume."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenwall.errors import InputError
from evenwall.geometry.shapes.sections import Sections, area_and_volume, turn, without

Array = NDArray[np.float64]

COARSE_RINGS, COARSE_AROUND = 90, 32
# A section taken for round may be an oval of 1.1 : 1 and nobody sees it (common practice, no
# source). At one girth such an oval holds 0.34 % less: 1 - 1.5 e^2 with e = 0.05, half of that
# again on the safe side.
UNSEEN_OVAL_VOLUME = 0.005
# Part of a reading's error that all readings share: a tape that stretches, a ruler held askew.
SHARED = 0.5
# Twice the spacing makes an error of second order four times as large, so a third of what leaving
# a height out changes is still there with it (Richardson).
INTERPOLATION = 1.0 / 3.0

AIR_KG_M3, WEIGHT_KG_M3 = 1.2, 8000.0  # conventional values, OIML D 28 (2004)
WATER_RANGE_DEGC = (0.0, 40.0)
FAR_OFF = 0.30  # measured and weighed volume that differ by more are not of one mould


@dataclass(frozen=True, eq=False)
class Known:
    """Relative errors of skin and volume; nine shapes of ten lie within them.

    area, volume: as measured. area_at_volume: of the skin once the volume is right, which is what
    is left after water has scaled the shape.
    """

    area: float
    volume: float
    area_at_volume: float

    def widened(self, factor: float) -> Known:
        """The same, with every error so many times as large."""
        return Known(self.area * factor, self.volume * factor, self.area_at_volume * factor)


def of_length(relative: float, rest: float = 0.0) -> Known:
    """A shape whose one doubtful figure is its scale, right to `relative`; `rest` of its skin."""
    return Known(
        math.hypot(2.0 * relative, rest),
        math.hypot(3.0 * relative, 1.5 * rest),
        rest,
    )


def of_sections(
    sections: Sections, half_error_mm: float, height_error_mm: float, *, girths: bool
) -> Known:
    """Return the errors of a form of measured sections.

    half_error_mm: of half a width, height_error_mm: of a height, both kept nine times of ten.
    girths: the sections were measured round, and taken for circles. Single readings add in
    quadrature; what all share, and what lies between the heights, add on top: each height is left
    out once, and the change tells what the next feature between two heights could do.
    """
    base = _figures(sections)

    def change(other: Sections) -> Array:
        return _figures(other) / base - 1.0

    count = len(sections.height_mm)
    single = np.zeros(3)
    for k in range(count):
        if max(sections.along_mm[k], sections.across_mm[k]) > 0.0:
            single += _three(change(_wider(sections, [k], half_error_mm))) ** 2
        single += _three(change(_raised(sections, k, height_error_mm))) ** 2
    shared = np.abs(_three(change(_wider(sections, range(count), SHARED * half_error_mm))))
    between = np.zeros(3)
    for k in range(1, count - 1):
        between += np.abs(_three(change(without(sections, k)))) * INTERPOLATION
    oval = np.array([0.0, UNSEEN_OVAL_VOLUME, UNSEEN_OVAL_VOLUME * 2.0 / 3.0]) * girths
    area, volume, left = np.sqrt(single + shared**2 + between**2 + oval**2)
    return Known(float(area), float(volume), float(left))


def _three(change: Array) -> Array:
    """Errors of area and volume: both, and the part of the area that a scaling to the right volume
    leaves."""
    area, volume = change
    return np.array([area, volume, area - 2.0 / 3.0 * volume])


def _figures(sections: Sections) -> Array:
    tall = float(np.ptp(sections.height_mm))
    pitch = max(tall, float(sections.along_mm.max())) / COARSE_RINGS
    return np.array(area_and_volume(*turn(sections, pitch, COARSE_AROUND)))


def _wider(sections: Sections, which: object, by_mm: float) -> Sections:
    along, across = sections.along_mm.copy(), sections.across_mm.copy()
    index = np.array(list(which))  # type: ignore[call-overload]
    real = index[np.maximum(along, across)[index] > 0.0]
    along[real] += by_mm
    across[real] += by_mm
    return replace(sections, along_mm=along, across_mm=across)


def _raised(sections: Sections, k: int, by_mm: float) -> Sections:
    height = sections.height_mm.copy()
    room = np.inf if k == len(height) - 1 else 0.5 * (height[k + 1] - height[k])
    height[k] += min(by_mm, room)
    return replace(sections, height_mm=height)


def water_kg_m3(temp_degC: float) -> float:
    """Density of water at atmospheric pressure: Tanaka and others (2001), Metrologia 38:301.

    Holds from 0 to 40 degC to 0.001 kg/m3; tap water differs by 0.03 % or less (from memory).
    """
    low, high = WATER_RANGE_DEGC
    if not low <= temp_degC <= high:
        limit = f"must be {low:g} to {high:g}"
        hint = "weigh with water at the room's temperature"
        raise InputError("water.temp_degC", f"{temp_degC:g}", limit, unit="degC", hint=hint)
    a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
    return a5 * (1.0 - (temp_degC + a1) ** 2 * (temp_degC + a2) / (a3 * (temp_degC + a4)))


def water_volume_cm3(mass_g: float, temp_degC: float) -> float:
    """Volume of so much water as a scale in air shows it: buoyancy lifts water by 0.12 %, the
    weights that the scale was set with by 0.015 %."""
    shown = 1.0 - AIR_KG_M3 / WEIGHT_KG_M3
    return mass_g * shown / (water_kg_m3(temp_degC) - AIR_KG_M3) * 1e3


@dataclass(frozen=True)
class Weighed:
    """Result of a weighing with water: the factor on every length, the disagreement before it, and
    the errors of the shape after it."""

    scale: float
    disagreement: float
    known: Known


def weigh(volume_cm3: float, known: Known, water_cm3: float, water_error: float) -> Weighed:
    """Scale a shape to the water that it holds.

    volume_cm3: as measured; water_cm3: as weighed, right to `water_error` (relative). Where both
    differ by more than the shape was thought to be known, the shape is as much worse known than
    thought. Raises InputError where they cannot be of one mould.
    """
    off = water_cm3 / volume_cm3 - 1.0
    if abs(off) > FAR_OFF:
        raise InputError(
            "water.mass_g",
            f"{water_cm3:.0f}",
            f"the measured shape holds {volume_cm3:.0f}, {abs(off):.0%} "
            + ("less" if off > 0 else "more"),
            unit="cm3",
            hint="weigh again with the mould full to its rim, and measure the largest girth again",
        )
    worse = max(1.0, abs(off) / max(known.volume, water_error, 1e-6))
    left = known.area_at_volume * worse
    after = Known(math.hypot(left, 2.0 / 3.0 * water_error), water_error, left)
    return Weighed((1.0 + off) ** (1.0 / 3.0), off, after)
