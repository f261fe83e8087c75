"""Errors of a shape's skin and volume that follow from the errors of its readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenwall.errors import InputError
from evenwall.geometry.shapes.sections import Sections, area_and_volume, turn, without
from evenwall.units import percent

Array = NDArray[np.float64]

COARSE_RINGS, COARSE_AROUND = 90, 32
# A section that counts as round may be an oval of 1.1 : 1 without anybody noticing (common
# practice, no source). At the same girth such an oval holds 0.34 % less: 1 - 1.5 e^2 with e = 0.05.
# The figure adds half of that again, to be safe.
UNSEEN_OVAL_VOLUME = 0.005
# Share of a reading's error that all readings have in common: a tape that stretches, a tilted
# ruler.
SHARED = 0.5
# Twice the spacing makes an error of second order four times as large. So the error that remains is
# a third of the change that leaving a height out makes (Richardson). With three or four heights the
# order is lower: their factors cover nine out of ten random profiles
# (tests/bench/bench_shape_errors.py, on other seeds).
INTERPOLATION = 1.0 / 3.0
OF_FEW = {3: 4.0, 4: 1.0}

AIR_KG_M3, WEIGHT_KG_M3 = 1.2, 8000.0  # conventional values, OIML D 28 (2004)
WATER_RANGE_DEGC = (0.0, 40.0)
FAR_OFF = 0.30  # measured and weighed volumes that differ by more belong to different moulds


@dataclass(frozen=True, eq=False)
class Known:
    """Relative errors of skin and volume; nine shapes of ten lie within them.

    area, volume: as measured. area_at_volume: error of the skin once the volume is right, which is
    the error left after the shape was scaled with water.
    """

    area: float
    volume: float
    area_at_volume: float

    def widened(self, factor: float) -> Known:
        """Return the same errors, each multiplied by the factor."""
        return Known(self.area * factor, self.volume * factor, self.area_at_volume * factor)


def of_length(relative: float, rest: float = 0.0) -> Known:
    """Return the errors of a shape whose scale is right to `relative` and whose skin is otherwise
    right to `rest`."""
    return Known(
        math.hypot(2.0 * relative, rest),
        math.hypot(3.0 * relative, 1.5 * rest),
        rest,
    )


def of_sections(
    sections: Sections, half_error_mm: float, height_error_mm: float, *, girths: bool
) -> Known:
    """Return the errors of a form of measured sections.

    half_error_mm: error of half a width, height_error_mm: error of a height, both nine times out of
    ten. girths: the sections were measured with a tape and taken as circles. Errors of single
    readings add in quadrature. The error that all share and the error between the heights are added
    to that: each height is left out once, and the change shows the effect of a feature between two
    heights.
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
        between += np.abs(_three(change(without(sections, k))))
    between *= OF_FEW.get(count, INTERPOLATION)
    oval = np.array([0.0, UNSEEN_OVAL_VOLUME, UNSEEN_OVAL_VOLUME * 2.0 / 3.0]) * girths
    area, volume, left = np.sqrt(single + shared**2 + between**2 + oval**2)
    return Known(float(area), float(volume), float(left))


def _three(change: Array) -> Array:
    """Return the errors of area and volume, and the error of the area that remains after scaling to
    the right volume."""
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
        limit = f"must be {low:g} to {high:g} degC"
        hint = "weigh with water at the room's temperature"
        raise InputError("water.temp_degC", f"{temp_degC:g}", limit, unit="degC", hint=hint)
    a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
    return a5 * (1.0 - (temp_degC + a1) ** 2 * (temp_degC + a2) / (a3 * (temp_degC + a4)))


def water_volume_cm3(mass_g: float, temp_degC: float) -> float:
    """Volume of the water that a scale in air shows as `mass_g`: buoyancy lifts water by 0.12 %,
    the weights that the scale was adjusted with by 0.015 %."""
    shown = 1.0 - AIR_KG_M3 / WEIGHT_KG_M3
    return mass_g * shown / (water_kg_m3(temp_degC) - AIR_KG_M3) * 1e3


@dataclass(frozen=True)
class Weighed:
    """Result of a weighing with water: the factor on every length, the difference before it was
    applied, and the errors of the shape after it."""

    scale: float
    disagreement: float
    known: Known


def weigh(volume_cm3: float, known: Known, water_cm3: float, water_error: float) -> Weighed:
    """Scale a shape to the water that it holds.

    volume_cm3: as measured; water_cm3: as weighed, right to `water_error` (relative). Where the two
    differ by more than the shape's error, that error is increased by the same factor. Raises
    InputError where they cannot be of one mould.
    """
    off = water_cm3 / volume_cm3 - 1.0
    if abs(off) > FAR_OFF:
        raise InputError(
            "the water's volume",
            f"{water_cm3:.0f}",
            f"must be within {percent(FAR_OFF)} of the measured shape's, {volume_cm3:.0f} cm3",
            unit="cm3",
            hint="weigh again with the mould full to its rim, and measure the largest girth again",
        )
    worse = max(1.0, abs(off) / max(known.volume, water_error, 1e-6))
    left = known.area_at_volume * worse
    after = Known(math.hypot(left, 2.0 / 3.0 * water_error), water_error, left)
    return Weighed((1.0 + off) ** (1.0 / 3.0), off, after)
