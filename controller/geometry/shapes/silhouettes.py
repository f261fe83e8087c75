"""A form from its silhouettes: each section is what lies inside all their tangents, rounded off.

Numerics only; millimetres. The camera is level and looks at the form's axis. In a picture a length
standing at the axis is to scale; an edge nearer to the camera looks larger, which is corrected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.geometry.shapes.outline import widths
from controller.geometry.shapes.sections import Array, Index, loft

SECTIONS, AROUND = 72, 96
ENDS = (0.03, 0.09)  # of the height: the rows that tell whether an end is flat or round
FLAT = 0.2  # of the widest: an end that is so wide is flat
ROUNDS = 4
WIGGLE = 2e-3  # weight of high orders in the fit; evens out views that are not evenly spread


@dataclass(frozen=True, eq=False)
class View:
    """One silhouette.

    outline_px (n, 2), x right and y down; from_rad: where the camera stands, 0 the front, a quarter
    turn the right side; mm_per_px at the axis, or None where the form's height gives it;
    distance_mm to the axis, infinite without perspective; lens_mm: of the lens over the bottom.
    """

    outline_px: Array
    from_rad: float
    mm_per_px: float | None
    distance_mm: float
    lens_mm: float


@dataclass(frozen=True, eq=False)
class Edge:
    """What one view says at each height: where its left and right tangents pass the axis (n,)."""

    left_mm: Array
    right_mm: Array
    view: View


@dataclass(frozen=True, eq=False)
class Lofted:
    """The form: its skin, and whether its ends are flat. Round ends are closed, flat ones open."""

    points_mm: Array
    faces: Index
    flat_bottom: bool
    flat_top: bool


def loft_views(views: Sequence[View], height_mm: float, *, open_bottom: bool) -> Lofted:
    """The form that has these silhouettes, of a known height, standing at z = 0.

    open_bottom: leave a flat bottom open; else a flat top. The other flat end is closed.
    """
    heights = np.linspace(0.0, height_mm, SECTIONS)
    found = [_edges(view, heights, height_mm) for view in views]
    edges = [edge for edge, _ in found]
    flat = np.mean([ends for _, ends in found], axis=0) > 0.5
    flat_bottom, flat_top = bool(flat[0]), bool(flat[1])
    rings = _sections(edges, heights)
    rings = _closed(rings, (flat_bottom, flat_top), open_bottom)
    points, faces = loft(rings)
    return Lofted(points, faces, flat_bottom, flat_top)


def _edges(view: View, heights: Array, height_mm: float) -> tuple[Edge, tuple[bool, bool]]:
    y = view.outline_px[:, 1]
    bottom_px, top_px = float(y.max()), float(y.min())
    tall_px = bottom_px - top_px
    scale = view.mm_per_px or height_mm / tall_px
    rows = np.linspace(bottom_px, top_px, 400)[1:-1]
    left_px, right_px = widths(view.outline_px, rows)
    half_px = 0.5 * (right_px - left_px)
    part = (bottom_px - rows) / tall_px
    axis_px = float(np.average(0.5 * (left_px + right_px), weights=half_px))
    ends_px = [_end(part, half_px), _end(1.0 - part, half_px)]
    lens, far = view.lens_mm, view.distance_mm
    for _ in range(ROUNDS):
        # The front edge of a flat end is nearer to the camera, and seen beyond the end itself.
        share = [min(0.5, end * scale / far) for end in ends_px]
        below = lens * share[0] / (1.0 - share[0]) if lens > 0 else 0.0
        above = (height_mm - lens) * share[1] / (1.0 - share[1]) if lens < height_mm else 0.0
        if view.mm_per_px is None:
            scale = (height_mm + below + above) / tall_px
    seen = (bottom_px - rows) * scale - below
    # A side is touched a little in front of the axis, by r^2 / D.
    nearer = 1.0 - np.minimum(0.25, (half_px * scale / far) ** 2)
    z = np.maximum.accumulate(lens + (seen - lens) * nearer)
    left, right = (left_px - axis_px) * scale, (right_px - axis_px) * scale
    # Rows beyond a flat end show its face, not its side.
    inside = (z >= 0.0) & (z <= height_mm)
    edge = Edge(
        _at(heights, z[inside], left[inside], ends_px[0] > 0, ends_px[1] > 0),
        _at(heights, z[inside], right[inside], ends_px[0] > 0, ends_px[1] > 0),
        view,
    )
    return edge, (ends_px[0] > 0, ends_px[1] > 0)


def _end(part: Array, half_px: Array) -> float:
    """Half the width of a flat end in pixels, 0 of a round one.

    Near a round end the width's square grows in proportion to the height, so the line through it
    meets the end at nothing.
    """
    rows = (part > ENDS[0]) & (part < ENDS[1])
    slope, square = np.polyfit(part[rows], half_px[rows] ** 2, 1)
    del slope
    half = float(np.sqrt(max(square, 0.0)))
    return half if half > FLAT * float(half_px.max()) else 0.0


def _at(heights: Array, z: Array, x: Array, flat_bottom: bool, flat_top: bool) -> Array:
    """x over the heights; a flat end keeps its width, a round one closes to its own middle."""
    found = np.interp(heights, z, x)
    del flat_bottom, flat_top
    return np.asarray(found)


def _sections(edges: Sequence[Edge], heights: Array) -> list[Array]:
    """One closed curve a height, from its tangents.

    A tangent at normal angle f keeps the distance h(f) from the axis (the support function). h is
    fitted by as many harmonics as there are views less one; two views give an ellipse. The curve is
    h n + h' n' (Minkowski).
    """
    f = np.empty((2 * len(edges), len(heights)))
    h = np.empty_like(f)
    for k, edge in enumerate(edges):
        for side, x in enumerate((edge.right_mm, edge.left_mm)):
            turn = np.arctan2(x, edge.view.distance_mm)
            f[2 * k + side] = edge.view.from_rad - turn + np.pi * side
            h[2 * k + side] = x * np.cos(turn) * (1.0 - 2.0 * side)
    angle = np.linspace(0.0, 2.0 * np.pi, AROUND, endpoint=False)
    fit = _ellipse if len(edges) == 2 else _harmonics
    rings = []
    for j, z in enumerate(heights):
        x, y = fit(f[:, j], h[:, j], angle)
        rings.append(np.column_stack([x, y, np.full(AROUND, z)]))
    return rings


def _ellipse(f: Array, h: Array, angle: Array) -> tuple[Array, Array]:
    """The ellipse with these four tangents, its axes along the two views.

    A tangent's normal is turned a little from its view's axis by perspective; the distance along
    the axis itself is found by going round a few times.
    """
    base = f[0] + 0.5 * np.pi * np.arange(4)
    order = np.array([0, 2, 1, 3]) if np.cos(f[2] - f[0] - 0.5 * np.pi) > 0 else np.array([0, 3, 1, 2])
    # Tangents 0, 1 belong to the first view (right, left), 2, 3 to the second.
    f, h = f[[0, 2, 1, 3]], h[[0, 2, 1, 3]]
    if order[1] == 3:
        f, h = f[[0, 3, 2, 1]], h[[0, 3, 2, 1]]
    at = f[0] - (f[0] - base[0])
    turn = 0.5 * ((f[0] + f[2] - np.pi) / 2.0 + (f[1] + f[3] - 2.0 * np.pi) / 2.0)
    del at
    straight = h.copy()
    for _ in range(ROUNDS):
        cx, cy = 0.5 * (straight[0] - straight[2]), 0.5 * (straight[1] - straight[3])
        a, b = 0.5 * (straight[0] + straight[2]), 0.5 * (straight[1] + straight[3])

        def support(at: Array, a: float = a, b: float = b, cx: float = cx, cy: float = cy) -> Array:
            c, s = np.cos(at - turn), np.sin(at - turn)
            return np.asarray(cx * c + cy * s + np.sqrt((a * c) ** 2 + (b * s) ** 2))

        straight = h + support(turn + 0.5 * np.pi * np.arange(4)) - support(f)
    x, y = cx + a * np.cos(angle), cy + b * np.sin(angle)
    return x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)


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
    """The rings with their ends: a round end is its middle point, a flat one is open or a disc."""
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
