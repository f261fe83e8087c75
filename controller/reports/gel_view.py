"""Plot of one exotherm: measured, fitted and predicted curve, gel window and peak."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from evenwall.numerics import gel
from evenwall.palette import BAND, COATS, FAINT, INK, PEN
from evenwall.units import SHOWN, ZERO_DEGC_K, ShownUnit, System, degC, shown

Point = tuple[float, float]


def draw(
    rows: Sequence[gel.Row],
    estimate: gel.GelEstimate,
    placement: gel.What,
    units: System = "metric",
) -> Figure:
    """Return a figure without global state. Times in minutes since the parts met."""
    unit = SHOWN[units]["degC"]
    figure = Figure(figsize=(8.0, 4.5), layout="constrained")
    axes = figure.add_subplot()
    seen = _curve([(row.time_s, row.probe_K) for row in rows], unit)
    air = _curve([(row.time_s, row.ambient_K) for row in rows], unit)
    low_min, high_min = estimate.low_s / 60.0, estimate.high_s / 60.0
    axes.axvspan(low_min, high_min, color=BAND, alpha=0.6, lw=0, label="gel of the coat, 90 %")
    axes.axvline(estimate.best_s / 60.0, color=COATS[2], lw=1.5, label="best estimate")
    axes.axvline(estimate.safe_to_stop_s / 60.0, color=INK, lw=1.5, ls="--", label="safe to stop")
    if estimate.called_s is not None:
        axes.axvline(estimate.called_s / 60.0, color=INK, lw=1.5, label="called gelled")
    if len(air):
        axes.plot(*np.array(air).T, color=FAINT, lw=1.0, label="air")
    if len(seen):
        axes.plot(*np.array(seen).T, ".", color=PEN, ms=2.5, label=f"probe in the {placement}")
        # The warmest credible reading: a digital sensor reports 85 °C after a restart.
        top = next((row for row in rows if row.probe_K == estimate.peak_K), None)
        if top is not None and top.probe_K is not None:
            at = (top.time_s / 60.0, unit.of(degC(top.probe_K)))
            peak = f"{at[1]:.1f} {unit.symbol}"
            axes.annotate(peak, at, textcoords="offset points", xytext=(6, 4))
    if len(estimate.curve):
        time_min, fitted_degC = estimate.curve[:, 0] / 60.0, estimate.curve[:, 1] - ZERO_DEGC_K
        band_K = estimate.curve[:, 2]
        low, high = unit.of(fitted_degC - band_K), unit.of(fitted_degC + band_K)
        axes.fill_between(
            time_min, low, high, color=COATS[1], alpha=0.18, lw=0, label="its 90 % band"
        )
        foreseen = unit.of(fitted_degC)
        axes.plot(time_min, foreseen, color=COATS[1], lw=1.2, label="fitted and predicted")
    for fault in estimate.faults:
        axes.axvline(fault.at_s / 60.0, color=FAINT, lw=0.8, ls=":")
        words = fault.kind.replace("_", " ") + ("" if fault.over_s is None else ", taken back")
        axes.text(fault.at_s / 60.0, axes.get_ylim()[1], words,
                  color=FAINT, rotation=90, va="top", ha="right", fontsize=8)  # fmt: skip
    axes.set_xlabel("minutes since the parts met")
    axes.set_ylabel(unit.symbol)
    axes.set_title(shown(estimate.sentence, units), fontsize=10, loc="left", wrap=True)
    axes.legend(fontsize=8, frameon=False)
    axes.spines[["top", "right"]].set_visible(False)
    return figure


def _curve(readings: Sequence[tuple[float, float | None]], unit: ShownUnit) -> list[Point]:
    """Return minutes and temperatures of the readings, without gaps. readings: s and K."""
    return [(at_s / 60.0, unit.of(degC(temp_K))) for at_s, temp_K in readings if temp_K is not None]


def save(
    path: Path,
    rows: Sequence[gel.Row],
    estimate: gel.GelEstimate,
    placement: gel.What,
    units: System = "metric",
) -> None:
    """Save to a file, its axes in these units; its ending sets the format (png, svg, pdf)."""
    draw(rows, estimate, placement, units).savefig(path, dpi=150)
