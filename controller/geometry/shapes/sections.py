"""Turned and lofted forms: elliptical sections along a height, joined into a surface.

Numerics only: millimetres in, millimetres and triangles out.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator
from scipy.optimize import brentq
from scipy.special import ellipe

from evenwall.errors import InputError

Array = NDArray[np.float64]
Index = NDArray[np.int64]
End = Literal["round", "flat", "point", "open"]

DENSE = 60  # points of the profile between two heights, before they are spaced evenly
LEAST_MM = 1e-9  # a radius below this is the axis itself


@dataclass(frozen=True, eq=False)
class Sections:
    """Elliptical sections of a form, from the bottom to the top.

    height_mm (n,), rising; along_mm and across_mm (n,) are half the widths along x and along y;
    middle_mm (n, 2) is each section's centre in x and y. bottom and top say how each end closes.
    """

    height_mm: Array
    along_mm: Array
    across_mm: Array
    middle_mm: Array
    bottom: End = "round"
    top: End = "open"


def ellipse_girth(along_mm: float, across_mm: float) -> float:
    """Perimeter of an ellipse from its half widths: 4 a E(e), E the complete elliptic integral.

    DLMF 19.9.9. The result has the unit of the arguments.
    """
    long, short = max(along_mm, across_mm), min(along_mm, across_mm)
    if long <= 0.0:
        return 0.0
    return float(4.0 * long * ellipe(1.0 - (short / long) ** 2))


def across_from_girth(girth_mm: float, along_mm: float) -> float:
    """Half the other width of an ellipse, from its girth and half the one width.

    Raises InputError if no ellipse has both: the girth of a flat line is 4 a.
    """
    if girth_mm <= 4.0 * along_mm:
        raise InputError(
            "girths_mm",
            f"{girth_mm:g}",
            f"must be over {4 * along_mm:.0f} mm, twice the diameter there",
            unit="mm",
            hint="measure that height again",
        )
    return float(
        brentq(lambda b: ellipse_girth(along_mm, b) - girth_mm, 1e-9, girth_mm / 4.0 + 1e-6)
    )


def monotone_slopes(x: Array, y: Array) -> Array:
    """Return the slopes of the three-point parabolas, limited so that the cubic never overshoots.

    The limit is that of Fritsch and Carlson (1980, SIAM J. Numer. Anal. 17:238): zero at a local
    extreme, else at most three times the smaller secant. The parabola is exact for quadratics.
    """
    if len(x) == 2:
        return np.full(2, (y[1] - y[0]) / (x[1] - x[0]))
    h, d = np.diff(x), np.diff(y) / np.diff(x)
    m = np.empty(len(x))
    m[1:-1] = (h[1:] * d[:-1] + h[:-1] * d[1:]) / (h[1:] + h[:-1])
    m[0] = d[0] + (d[0] - d[1]) * h[0] / (h[0] + h[1])
    m[-1] = d[-1] + (d[-1] - d[-2]) * h[-1] / (h[-1] + h[-2])
    before, after = np.concatenate([d[:1], d]), np.concatenate([d, d[-1:]])
    limit = 3.0 * np.minimum(np.abs(before), np.abs(after))
    sign = np.where(np.sign(before) == np.sign(after), np.sign(after), 0.0)
    return np.asarray(sign * np.clip(sign * m, 0.0, limit))


class Width:
    """Half a width over the height, monotone between the measured heights.

    Between two heights it is a cubic without overshoot. At a round end its square is a quadratic,
    which is exact for a ball and an ellipsoid: there the width grows like a root, and a cubic
    through a root bulges inwards.
    """

    def __init__(self, height_mm: Array, half_mm: Array, bottom: End, top: End) -> None:
        self._x, self._y = height_mm, half_mm
        slopes = monotone_slopes(height_mm, half_mm)
        ends = (
            (bottom == "round" and half_mm[0] < LEAST_MM, 1, 0),
            (
                top == "round" and half_mm[-1] < LEAST_MM,
                -2,
                -1,
            ),
        )
        self._round = (ends[0][0], ends[1][0])
        squares = monotone_slopes(height_mm, half_mm**2)
        for closed, beside, pole in ends:
            if closed and half_mm[beside] > 0.0:
                wanted = squares[beside] / (2.0 * half_mm[beside])
                steepest = half_mm[beside] / (height_mm[beside] - height_mm[pole])
                slopes[beside] = _within(wanted, steepest, self._secant(beside, pole))
        self._slopes = slopes
        self._cubic = CubicHermiteSpline(height_mm, half_mm, slopes)

    def _secant(self, beside: int, pole: int) -> float | None:
        """Slope from the height beside a pole to the next one inwards; None without a next one."""
        inner = beside + (1 if pole == 0 else -1)
        if len(self._x) < 3:
            return None
        return float((self._y[inner] - self._y[beside]) / (self._x[inner] - self._x[beside]))

    def __call__(self, at_mm: Array) -> Array:
        found = np.asarray(self._cubic(at_mm))
        if self._round[0]:
            part = at_mm <= self._x[1]
            found[part] = self._cap(at_mm[part] - self._x[0], 1, self._x[1] - self._x[0])
        if self._round[1]:
            part = at_mm >= self._x[-2]
            found[part] = self._cap(self._x[-1] - at_mm[part], -2, self._x[-1] - self._x[-2])
        return np.maximum(found, 0.0)

    def _cap(self, from_pole_mm: Array, beside: int, step: float) -> Array:
        """Root of the quadratic through the pole and the next height, with that height's slope."""
        half = float(self._y[beside])
        slope = abs(float(self._slopes[beside]))
        linear = 2.0 * half**2 / step - 2.0 * half * slope
        bend = (half**2 - linear * step) / step**2
        return np.sqrt(np.maximum(linear * from_pole_mm + bend * from_pole_mm**2, 0.0))


def _within(wanted: float, steepest: float, secant: float | None) -> float:
    """Return the slope beside a round end. Up to `steepest` the quadratic rises all the way from
    the pole; inwards the slope is limited as in `monotone_slopes`."""
    slope = float(np.clip(wanted, min(0.0, steepest), max(0.0, steepest)))
    if secant is None:
        return slope
    if slope * secant <= 0.0:
        return 0.0
    return float(np.sign(slope) * min(abs(slope), 3.0 * abs(secant)))


def turn(sections: Sections, pitch_mm: float, around: int = 96) -> tuple[Array, Index]:
    """Return the form's surface: points (n, 3) in mm and triangles (m, 3), outward, with its open
    end.

    pitch_mm: distance between rings along the profile. around: corners of a ring; 96 lose 0.04 % of
    a section's area. A flat end is closed by a disc, a round or pointed one by the profile itself.
    """
    lines = _profile(sections, pitch_mm)
    return _lathe(lines, around)


def _profile(sections: Sections, pitch_mm: float) -> Array:
    """Return rings from the bottom to the top, `pitch_mm` apart: height, both half widths and
    centre (n, 5).

    The first or last ring has no width where that end is closed.
    """
    x = sections.height_mm
    ends = (sections.bottom, sections.top)
    along, across = (Width(x, half, *ends) for half in (sections.along_mm, sections.across_mm))
    # Points are close together near both heights of an interval: a round end needs that.
    part = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, DENSE + 1))
    z = np.concatenate([x[:-1, None] + np.diff(x)[:, None] * part[None, :-1]], axis=None)
    z = np.append(z, x[-1])
    if len(x) > 2:
        middle = np.asarray(PchipInterpolator(x, sections.middle_mm, axis=0)(z))
    else:
        middle = np.column_stack([np.interp(z, x, sections.middle_mm[:, k]) for k in (0, 1)])
    rows = np.column_stack([z, along(z), across(z), middle])
    if sections.bottom == "flat":
        rows = np.vstack([_axis(rows[0]), rows])
    if sections.top == "flat":
        rows = np.vstack([rows, _axis(rows[-1])])
    return _spaced(rows, pitch_mm, sections)


def _axis(row: Array) -> Array:
    return np.array([row[0], 0.0, 0.0, row[3], row[4]])


def _spaced(rows: Array, pitch_mm: float, sections: Sections) -> Array:
    """Return rows at even distances along the profile, with its corners and ends."""
    outline = np.column_stack([rows[:, 0], np.maximum(rows[:, 1], rows[:, 2])])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(outline, axis=0), axis=1))])
    corners = [0, *([1] if sections.bottom == "flat" else [])]
    corners += [*([len(rows) - 2] if sections.top == "flat" else []), len(rows) - 1]
    stops = [
        np.linspace(along[a], along[b], max(2, round((along[b] - along[a]) / pitch_mm) + 1))
        for a, b in itertools.pairwise(corners)
    ]
    at = np.unique(np.concatenate(stops))
    keep = np.concatenate([[True], np.diff(along) > 0.0])
    return np.column_stack([np.interp(at, along[keep], rows[keep, k]) for k in range(5)])


def _lathe(rows: Array, around: int) -> tuple[Array, Index]:
    angle = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    circle = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(around)])
    half = np.column_stack([rows[:, 1:3], np.zeros(len(rows))])
    poles = half.max(axis=1) < LEAST_MM
    half[poles] = 0.0
    rings = rows[:, None, [3, 4, 0]] + circle * half[:, None]
    return loft([row[:1] if pole else row for row, pole in zip(rings, poles, strict=True)])


def loft(rings: Sequence[Array]) -> tuple[Array, Index]:
    """Return the skin over rings, from the bottom up, of equal numbers of points or of one, a pole.

    rings: (around, 3) or (1, 3) each, counterclockwise seen from above.
    """
    around = max(len(ring) for ring in rings)
    here = np.arange(around)
    beside = (here + 1) % around
    first = np.column_stack([here, beside, around + beside])  # between two rings, the first at 0
    belt = np.concatenate([first, np.column_stack([here, around + beside, around + here])])
    faces: list[Index] = []
    before, count = 0, len(rings[0])  # where the ring before and this one begin
    for last, ring in itertools.pairwise(rings):
        if len(last) > 1 and len(ring) > 1:
            faces.append(before + belt)
        elif len(ring) > 1:
            faces.append(np.column_stack([np.full(around, before), count + beside, count + here]))
        elif len(last) > 1:
            faces.append(np.column_stack([np.full(around, count), before + here, before + beside]))
        before, count = count, count + len(ring)
    return np.concatenate(rings), np.concatenate(faces).astype(np.int64)


def area_and_volume(points_mm: Array, triangles: Index) -> tuple[float, float]:
    """Return the skin in cm2 and the enclosed volume in cm3 of a form that is closed, or open at a
    level plane.

    The volume is the flux of (x, y, 0)/2 (divergence theorem). A level lid has no flux, so the form
    needs no lid. Over a triangle x is linear, so the value at its middle is exact.
    """
    first, second, third = (points_mm[triangles[:, k]].T for k in range(3))
    (ux, uy, uz), (vx, vy, vz) = second - first, third - first
    x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx  # twice the area as a normal
    area = 0.5 * float(np.sqrt(x * x + y * y + z * z).sum())
    middle_x, middle_y = (first + second + third)[:2] / 3.0
    volume = 0.25 * float((middle_x * x + middle_y * y).sum())
    return area * 1e-2, abs(volume) * 1e-3


def without(sections: Sections, k: int) -> Sections:
    """Return the form as if the k-th height had not been measured."""
    keep = np.arange(len(sections.height_mm)) != k
    return replace(
        sections,
        height_mm=sections.height_mm[keep],
        along_mm=sections.along_mm[keep],
        across_mm=sections.across_mm[keep],
        middle_mm=sections.middle_mm[keep],
    )
