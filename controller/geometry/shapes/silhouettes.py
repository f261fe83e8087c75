"""A form from its silhouettes: each section is the area inside all their tangents, rounded off.

Numerics only; millimetres. The camera is level and looks at the form's axis. In a picture a length
at the axis is to scale; an edge nearer to the camera looks larger, which is corrected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.linalg import null_space

from evenwall.geometry.shapes.outline import widths
from evenwall.geometry.shapes.sections import Array, Index, loft

SECTIONS, AROUND = 72, 96
ENDS = (0.03, 0.09)  # shares of the height: the rows that show whether an end is flat or round
FLAT = 0.15  # share of the greatest width: an end of this width or more is flat
ROUNDS = 5
ROWS = 402  # rows of a picture that are used
SMOOTH_ROWS = 4.0
STEEPEST = 0.7  # sine of a normal's turn out of the picture's plane
WIGGLE = 2e-3  # weight of high orders in the fit; compensates for views that are not evenly spread
# Deviations for finding the views' axes. SPREAD: as a share of half the width, four times the
# largest second harmonic of a section (that of a convex curve, set without any particular form).
# EDGE: error of an outline, as a share of the height. FREE: as a share of the greatest width, for
# quantities that are unknown beforehand.
SPREAD, EDGE, FREE, MOST_ORDER = 0.3, 0.001, 10.0, 8
LEAST_HALF = 0.02  # share of the greatest width: a smaller section counts as this large


@dataclass(frozen=True, eq=False)
class View:
    """One silhouette.

    outline_px (n, 2), x right and y down; from_rad: the camera's direction, 0 for the front, a
    quarter turn for the right side; mm_per_px at the axis, or None where the form's height gives
    it; distance_mm to the axis, infinite without perspective; lens_mm: height of the lens over the
    bottom.
    """

    outline_px: Array
    from_rad: float
    mm_per_px: float | None
    distance_mm: float
    lens_mm: float


@dataclass(frozen=True, eq=False)
class Tangents:
    """Tangents of one view at each height (n, 2), right side and left: the angle of the section's
    normal, and the distance at which the tangent there passes the axis."""

    normal_rad: Array
    support_mm: Array


@dataclass(frozen=True, eq=False)
class Lofted:
    """The form: its skin, and whether its ends are flat. Round ends are closed, flat ones open."""

    points_mm: Array
    faces: Index
    flat_bottom: bool
    flat_top: bool


def loft_views(views: Sequence[View], height_mm: float, *, open_bottom: bool) -> Lofted:
    """Return the form that has these silhouettes and this height, with its bottom at z = 0.

    open_bottom: leave a flat bottom open; else a flat top. The other flat end is closed.
    """
    heights = np.linspace(0.0, height_mm, SECTIONS)
    ends = np.array([[_end(view.outline_px, k)[0] > 0.0 for k in (0, 1)] for view in views])
    flat_bottom, flat_top = (bool(one) for one in ends.mean(axis=0) >= 0.5)
    tangents = [_tangents(view, heights, height_mm) for view in views]
    if len(views) > 2:
        tangents = _on_one_axis(tangents, heights)
    rings = _sections(tangents, views[0].from_rad, heights)
    rings = _closed(rings, (flat_bottom, flat_top), open_bottom)
    points, faces = loft(rings)
    return Lofted(points, faces, flat_bottom, flat_top)


def _tangents(view: View, heights: Array, height_mm: float) -> Tangents:
    """Find the point where each ray touches the form.

    A surface of support h(z) has the normal (n, -h'). The ray from the lens (0, -D, c) touches it
    where (touch - lens) is perpendicular to that: sin(turn) = (h - h' (z - c)) / D. Here turn is
    the angle between n and the picture's plane. The touch lies h sin(turn) in front of the axis.
    """
    y, far, lens = view.outline_px[:, 1], view.distance_mm, view.lens_mm
    bottom_px, tall_px = float(y.max()), float(np.ptp(y))
    rows = np.linspace(bottom_px, bottom_px - tall_px, ROWS)[1:-1]
    left_px, right_px = widths(view.outline_px, rows)
    half_px = 0.5 * (right_px - left_px)
    axis_px = float(np.average(0.5 * (left_px + right_px), weights=half_px))
    scale, inner = view.mm_per_px or height_mm / tall_px, (lens, height_mm - lens)
    ends = [_end(view.outline_px, k) for k in (0, 1)]
    for k in (0, 1):  # again, without the rows that show a flat end's near edge
        skip = _beyond(ends[k][0] * scale, ends[k][1] * scale, inner[k], far) / (scale * tall_px)
        ends[k] = _end(view.outline_px, k, skip)
    for _ in range(ROUNDS):
        below, above = (
            _beyond(ends[k][0] * scale, ends[k][1] * scale, inner[k], far) for k in (0, 1)
        )
        if view.mm_per_px is None:
            scale = (height_mm + below + above) / tall_px
    seen = (bottom_px - rows) * scale - below
    sides = (seen >= 0.0) & (seen <= height_mm)  # rows beyond a flat end show its face
    seen = seen[sides]
    normal, support = np.empty((len(heights), 2)), np.empty((len(heights), 2))
    for side, x_px in enumerate((right_px - axis_px, axis_px - left_px)):
        x = x_px[sides] * scale
        # The picture's own slope differs from the form's by the correction itself, which changes
        # the correction in second order only.
        slope = np.gradient(ndimage.gaussian_filter1d(x, SMOOTH_ROWS), seen)
        z, h = seen, x
        for _ in range(ROUNDS):
            turn = np.arcsin(np.clip((h - slope * (z - lens)) / far, -STEEPEST, STEEPEST))
            share = 1.0 - h * np.sin(turn) / far
            z = lens + share * (seen - lens)
            h = share * x / np.cos(turn)
        z = np.maximum.accumulate(z)
        turns = np.interp(heights, z, turn) * (2.0 * side - 1.0)
        normal[:, side] = view.from_rad + turns + np.pi * side
        support[:, side] = np.interp(heights, z, h)
    return Tangents(normal, support)


def _on_one_axis(tangents: Sequence[Tangents], heights: Array) -> list[Tangents]:
    """Return the same tangents, measured from one axis in all views.

    Each view was measured from the middle of its own outline. For an uneven form these middles are
    not images of one axis, and sections made from them are wrong by the difference. The sections'
    supports are harmonics whose amplitudes beyond the first shrink with the section (those of a
    convex curve fall at least as 1/k^2). Towards a round end a section is a point, which every view
    sees on one axis. So the most likely shifts between the views are found by generalised least
    squares (Aitken 1935), where a height counts more if its section is small and its edge steep.
    """
    f = np.concatenate([one.normal_rad for one in tangents], axis=1)
    h = np.concatenate([one.support_mm for one in tangents], axis=1)
    views = len(tangents)
    # Shifting all views together moves the form, not one view against another: that is left out.
    facing = f[:, ::2].mean(axis=0)
    between = null_space(np.stack([np.cos(facing), np.sin(facing)]))
    moved = np.kron(np.eye(views), [[1.0], [-1.0]]) @ between  # right side and left
    half = np.maximum(h.mean(axis=1), LEAST_HALF * float(h.max()))
    slope = np.abs(np.gradient(half, heights))
    off = EDGE * float(np.ptp(heights)) * np.hypot(1.0, slope)
    order, free = np.arange(1, MOST_ORDER + 1), FREE * float(h.max())
    normal, right = np.zeros((views - 2, views - 2)), np.zeros(views - 2)
    for j in range(len(heights)):
        waves = np.multiply.outer(f[j], order)
        known = np.concatenate([[free, free], SPREAD * half[j] / order[1:] ** 2])
        columns = np.concatenate([np.ones((2 * views, 1)), np.cos(waves), np.sin(waves)], axis=1)
        scaled = columns * np.concatenate([known, known[1:]])
        spread = scaled @ scaled.T + off[j] ** 2 * np.eye(2 * views)
        weighed = np.linalg.solve(spread, moved)
        normal += moved.T @ weighed
        right += weighed.T @ h[j]
    shift = between @ np.linalg.solve(normal, right)
    return [
        Tangents(one.normal_rad, one.support_mm - by * np.array([1.0, -1.0]))
        for one, by in zip(tangents, shift, strict=True)
    ]


def _end(outline_px: Array, which: int, skip: float = 0.0) -> tuple[float, float]:
    """Return half the width of a flat end and the radius of a round one, pixels; one of them is 0.

    which: 0 for the bottom, 1 for the top; skip: share of the picture's height that shows parts
    beyond the end. Near a round end the square of half the width is 2 r times the height, so the
    line through it is zero at the end.
    """
    y = outline_px[:, 1]
    low, high = float(y.max()), float(y.min())
    part = np.linspace(*ENDS, 40) + skip
    rows = low + part * (high - low) if which == 0 else high + part * (low - high)
    left, right = widths(outline_px, rows)
    half = 0.5 * (right - left)
    slope, square = np.polyfit((part - skip) * (low - high), half**2, 1)
    flat = float(np.sqrt(max(square, 0.0)))
    if flat > FLAT * 0.5 * float(np.ptp(outline_px[:, 0])):
        return flat, 0.0
    return 0.0, max(0.0, 0.5 * float(slope))


def _beyond(flat_mm: float, round_mm: float, lens_mm: float, far_mm: float) -> float:
    """Return the length, at the axis, that the picture shows beyond an end of the form.

    lens_mm: distance of the lens inwards from the end. The near edge of a flat end appears beyond
    it; a round end is a ball that the steepest ray touches.
    """
    if flat_mm > 0.0:
        share = min(0.5, flat_mm / far_mm)
        return lens_mm * share / (1.0 - share) if lens_mm > 0.0 else 0.0
    if round_mm <= 0.0 or not np.isfinite(far_mm):
        return 0.0
    down = lens_mm - round_mm
    bend = np.arcsin(min(0.5, round_mm / np.hypot(far_mm, down)))
    return max(0.0, far_mm * float(np.tan(np.arctan2(down, far_mm) + bend)) - lens_mm)


def _sections(tangents: Sequence[Tangents], turn_rad: float, heights: Array) -> list[Array]:
    """Return one closed curve for each height, from its tangents.

    A tangent at normal angle f has the distance h(f) from the axis (the support function). h is
    fitted with one harmonic fewer than there are views; two views give an ellipse with its axes
    along `turn_rad`. The curve is h n + h' n' (Minkowski).
    """
    f = np.concatenate([one.normal_rad for one in tangents], axis=1)
    h = np.concatenate([one.support_mm for one in tangents], axis=1)
    angle = np.linspace(0.0, 2.0 * np.pi, AROUND, endpoint=False)
    rings = []
    for j, z in enumerate(heights):
        if len(tangents) == 2:
            x, y = _ellipse(f[j], h[j], turn_rad, angle)
        else:
            x, y = _harmonics(f[j], h[j], angle)
        rings.append(np.column_stack([x, y, np.full(AROUND, z)]))
    return rings


def _ellipse(f: Array, h: Array, turn: float, angle: Array) -> tuple[Array, Array]:
    """Return the ellipse with these four tangents, its axes along the first view's.

    f, h: of the first view's right and left, then of the second's. Perspective turns each normal a
    little from its axis; the distance along the axis itself is found by a few iterations.
    """
    order = [0, 2, 1, 3] if np.sin(f[2] - f[0]) > 0 else [0, 3, 1, 2]  # counterclockwise
    f, h = f[order], h[order]
    axes = turn + 0.5 * np.pi * np.arange(4)
    straight = h.copy()
    for _ in range(ROUNDS):
        a, b = 0.5 * (straight[0] + straight[2]), 0.5 * (straight[1] + straight[3])
        x, y = 0.5 * (straight[0] - straight[2]), 0.5 * (straight[1] - straight[3])
        at = np.concatenate([axes, f]) - turn
        c, s = np.cos(at), np.sin(at)
        support = x * c + y * s + np.hypot(a * c, b * s)
        straight = h + support[:4] - support[4:]
    u, v = x + a * np.cos(angle), y + b * np.sin(angle)
    return u * np.cos(turn) - v * np.sin(turn), u * np.sin(turn) + v * np.cos(turn)


def _harmonics(f: Array, h: Array, angle: Array) -> tuple[Array, Array]:
    most = min(len(f) // 2 - 1, 6)
    order = np.arange(1, most + 1)
    columns = [np.ones_like(f)]
    for k in order:
        columns += [np.cos(k * f), np.sin(k * f)]
    matrix = np.column_stack(columns)
    weight = np.concatenate([[0.0], np.repeat(WIGGLE * order**4.0, 2)])
    found = np.linalg.solve(matrix.T @ matrix + np.diag(weight), matrix.T @ h)
    cosine, sine = found[1::2].copy(), found[2::2].copy()
    for _ in range(20):
        ka = np.multiply.outer(order, angle)
        bend = found[0] + ((1.0 - order**2) * cosine) @ np.cos(ka)
        bend += ((1.0 - order**2) * sine) @ np.sin(ka)
        if bend.min() >= 0.0:
            break
        cosine[1:] *= 0.8  # a curve that turns back on itself is rounded off
        sine[1:] *= 0.8
    value = found[0] + cosine @ np.cos(ka) + sine @ np.sin(ka)
    slope = -(order * cosine) @ np.sin(ka) + (order * sine) @ np.cos(ka)
    return (
        value * np.cos(angle) - slope * np.sin(angle),
        value * np.sin(angle) + slope * np.cos(angle),
    )


def _closed(rings: list[Array], flat: tuple[bool, bool], open_bottom: bool) -> list[Array]:
    """Return the rings with their ends: a round end is its middle point, a flat one is open or a
    disc."""
    found = list(rings)
    for end, is_flat, is_open in ((0, flat[0], open_bottom), (-1, flat[1], not open_bottom)):
        middle = found[end].mean(axis=0)
        if not is_flat:
            found[end] = middle[None]
        elif not is_open:
            disc = [middle + (found[end] - middle) * share for share in (0.75, 0.5, 0.25)]
            disc.append(middle[None])
            found = disc[::-1] + found if end == 0 else found + disc
    return found
