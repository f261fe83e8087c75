"""Picture of mountings: the casting beside its minor axis, with the angle of the mouth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from evenwall.geometry.mould import Cavity
from evenwall.palette import INK, PAPER
from evenwall.planning.mounting import Mounting
from evenwall.reports.shape_view import shaded

SHOWN = 3  # mountings drawn, the best first


def picture(
    title: str, tried: Sequence[tuple[Mounting, Cavity]], *, stacked: bool = False
) -> Figure:
    """Return the best mountings side by side, each with its minor axis upright and its mouth in
    the plane of the paper.

    tried: mountings with the cavity as each mounts it, the best first. stacked: one below the
    other, for a phone.
    """
    some = tried[:SHOWN]
    rows, columns = (len(some), 1) if stacked else (1, len(some))
    figure = Figure(figsize=(3.2 * columns, 4.2 * rows), layout="constrained", facecolor=PAPER)
    figure.suptitle(f"{title}: ways to mount it", color=INK, fontsize=11, wrap=True)
    for k, (one, cavity) in enumerate(some):
        axes = figure.add_subplot(rows, columns, k + 1)
        _draw(axes, one, cavity)
    return figure


def _draw(axes: Axes, one: Mounting, cavity: Cavity) -> None:
    """Draw one mounting in mm, seen so that its mouth leans to the right."""
    mouth = cavity.opening_direction()
    across = np.array([mouth[0], mouth[1], 0.0])
    length = float(np.linalg.norm(across))
    across = across / length if length > 1e-6 else np.array([1.0, 0.0, 0.0])
    upright = np.array([0.0, 0.0, 1.0])
    points = cavity.points_m() * 1e3
    axes.add_collection(shaded(points, cavity.triangles, across, upright))
    reach = 1.15 * cavity.reach_mm()
    axes.plot([0.0, 0.0], [-reach, reach], color=INK, linewidth=1.5, linestyle=(0, (8, 3, 2, 3)))
    at = cavity.opening_centre_m() * 1e3
    start, tip = (at @ across, at @ upright), (at + 0.3 * reach * mouth)
    axes.annotate(
        "",
        xy=(float(tip @ across), float(tip @ upright)),
        xytext=(float(start[0]), float(start[1])),
        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 2.0},
    )
    axes.set_xlim(-1.1 * reach, 1.1 * reach)
    axes.set_ylim(-1.1 * reach, 1.1 * reach)
    axes.set_aspect("equal")
    axes.axis("off")
    given = "as in the file" if one.given else "offered"
    axes.set_title(
        f"{given}: thinnest {one.thinnest:.2f} of the mean\nmouth {one.mouth_lean_deg:.0f}° off "
        "the minor axis",
        color=INK,
        fontsize=9,
    )
