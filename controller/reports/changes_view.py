"""Picture of changes: a casting with its thinnest place, beside the gain of each change."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from evenwall.geometry.mould import Cavity
from evenwall.geometry.surface import Array
from evenwall.model import Vector3
from evenwall.palette import COATS, FAINT, INK, PAPER, SIGNAL
from evenwall.reports.shape_view import shaded


@dataclass(frozen=True)
class Bar:
    """One change: its words, and its thinnest patch, error and bound over the mean wall. They are
    not numbers where it is refused."""

    words: str
    thinnest: float = math.nan
    error: float = math.nan
    bound: float = math.nan


def picture(title: str, cavity: Cavity, place_mm: Vector3, bars: Sequence[Bar]) -> Figure:
    """Return the casting, seen so that its thinnest place faces the reader, and one bar for each
    change, the casting as it is first. place_mm: in the mesh's frame."""
    figure = Figure(figsize=(9.0, 0.55 * len(bars) + 1.8), layout="constrained", facecolor=PAPER)
    figure.suptitle(f"{title}: what would move its thinnest place", color=INK, fontsize=11)
    left, right = figure.subplots(1, 2, width_ratios=(1.0, 2.2))
    _form(left, cavity, np.array(place_mm))
    _bars(right, bars)
    return figure


def _form(axes: Axes, cavity: Cavity, place_mm: Array) -> None:
    """Draw the form upright with a mark at the place, in mm."""
    at = cavity.rotation @ (place_mm - cavity.crossing_mm)
    out = np.array([at[0], at[1], 0.0])
    length = float(np.linalg.norm(out))
    towards = out / length if length > 1e-6 else np.array([0.0, -1.0, 0.0])
    upright = np.array([0.0, 0.0, 1.0])
    across = np.cross(upright, towards)
    axes.add_collection(shaded(cavity.points_m() * 1e3, cavity.triangles, across, upright))
    axes.plot([at @ across], [at @ upright], "o", markersize=11, fillstyle="none", color=SIGNAL)
    axes.autoscale_view()
    axes.set_aspect("equal")
    axes.axis("off")
    axes.set_title("thinnest place", color=INK, fontsize=9)


def _bars(axes: Axes, bars: Sequence[Bar]) -> None:
    """Draw the thinnest patch over the mean of each change, with its bound as a mark."""
    for row, bar in enumerate(bars):
        if math.isnan(bar.thinnest):
            axes.text(0.01, row, "refused", va="center", color=FAINT, fontsize=9)
            continue
        axes.barh(row, bar.thinnest, color=COATS[1 if row else 2], height=0.6)
        axes.errorbar(bar.thinnest, row, xerr=bar.error, color=INK, capsize=3, linewidth=1.0)
        axes.plot([bar.bound] * 2, [row - 0.3, row + 0.3], color=INK, linewidth=1.5)
        axes.text(
            0.02, row, f"{bar.thinnest:.2f} +- {bar.error:.2f}", va="center", color=INK, fontsize=9
        )  # fmt: skip
    axes.set_yticks(range(len(bars)), [textwrap.fill(bar.words, 34) for bar in bars], fontsize=8)
    axes.set_ylim(len(bars) - 0.4, -0.6)
    axes.set_xlim(0.0, 1.0)
    axes.set_xlabel(
        "thinnest patch over the mean wall, with its error (upright line: at most)",
        color=INK,
        fontsize=9,
    )
    axes.set_facecolor(PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
