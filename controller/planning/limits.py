"""Shortfalls of a planned wall, and their causes in the mould or the resin."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenwall.geometry.mould import Cavity
from evenwall.model import WallSummary
from evenwall.planning.search import Found

# Targets of a smooth wall as shares of the mean: thinnest patch, 5th percentile, and thinnest patch
# on a bad day. A place below the target is named.
WISHED = {"min_mm": 0.88, "p05_mm": 0.93, "worst_case_min_mm": 0.75}
RIM_OFF = 0.10
GAIN = 1.25  # over the same 4:1 for every coat
NEAR_M = 12e-3  # a patch's width
LEANS_DEG = 15.0  # a mouth this far off the minor axis is worth another mounting (our choice)
SHARP = 2.5  # times the mould's own median curvature


def falls_short(wall: WallSummary) -> set[str]:
    """Return the figures of a wall that miss their targets, as planned or on a bad day."""
    known = wall.model_dump(include=set(WISHED), exclude_none=True)
    return {name for name, mm in known.items() if mm < WISHED[name] * wall.mean_mm}


def what_limits(
    cavity: Cavity, found: Found, wall: WallSummary, coats: int, cover_mm: float
) -> tuple[str, ...]:
    """Return sentences on what limits the wall; none where it is even enough or was not
    computed."""
    s, grid = found.statistics, found.grid
    if s is None or grid is None:
        return ()
    lowest, mean_mm, short = s.min / s.mean, wall.mean_mm, falls_short(wall)
    said = []
    if short & {"min_mm", "p05_mm"}:
        at = grid.mesh.points[s.min_cell]
        place = cavity.rotation.T @ at * 1e3 + cavity.crossing_mm
        said.append(
            f"The thinnest patch, {lowest:.2f} of the mean, is near {_words(place)} mm: "
            f"{_why(found, s.min_cell)}. A twentieth of the wall is thinner than "
            f"{s.p05 / s.mean:.2f} of the mean."
        )
        if found.bound is not None:
            said.append(
                f"No mixture of the spins tried would leave more than {found.bound:.2f} of the "
                "mean everywhere."
            )
        said += leaning_mouth(cavity)
        if mean_mm / (coats + 1) >= cover_mm:
            share = (coats / (coats + 1)) ** 2
            said.append(
                f"One coat more would each be {mean_mm / (coats + 1):.1f} mm and flow {share:.2f} "
                "times as far before it sets: more even, for one more mix."
            )
    if s.rim == s.rim and abs(s.rim / s.mean - 1.0) > RIM_OFF:
        side = "drains over its edge" if s.rim < s.mean else "gathers resin from the floor"
        said.append(f"The rim is {s.rim / s.mean:.2f} of the mean: it {side}.")
    if "worst_case_min_mm" in short:
        said.append(
            f"On a bad day ({found.worst_days[0].name}) the thinnest patch is "
            f"{found.worst_min:.2f} of the mean: keep to the shop's temperature and the clock."
        )
    plain = found.baseline.get("min_over_mean", 0.0)
    if plain and lowest < GAIN * plain:
        said.append(
            f"The thinnest patch is {lowest / plain:.2f} times that of the best 4:1 given to every "
            f"coat, which alone leaves {plain:.2f} of the mean: this form is easy to spin."
            if plain >= WISHED["min_mm"] / GAIN
            else f"The thinnest patch is only {lowest / plain:.2f} times that of the best 4:1 "
            "given to every coat."
        )
    return tuple(said)


def leaning_mouth(cavity: Cavity) -> list[str]:
    """Return a sentence on a mouth that leans from the minor axis, which another mounting may
    correct.

    One egg with its mouth 50 degrees off kept 0.72 of the mean on cells of 3.5 mm, and 0.93 when it
    was mounted with its mouth 25 degrees off.
    """
    lean_deg = cavity.mouth_lean_deg()
    if lean_deg < LEANS_DEG:
        return []
    return [
        f"The mouth leans {lean_deg:.0f} degrees from the minor axis. Mounted in another way the "
        f"wall may be more even: `evenwall mounting` compares the ways."
    ]


def _why(found: Found, cell: int) -> str:
    grid = found.grid
    if grid is None:
        return ""
    mesh = grid.mesh
    near = np.linalg.norm(mesh.points - mesh.points[cell], axis=1) < NEAR_M
    if mesh.rim[near].any():
        return "it lies beside the opening, where the film drains to the edge"
    usual = float(np.median(np.abs(mesh.curvature)))
    sharp = SHARP * max(usual, 1.0 / float(np.abs(mesh.points).max()))
    here = mesh.curvature[near]
    if here.min() < -sharp:
        return "it is a ridge of the mould, off which surface tension draws the resin"
    if here.max() > sharp:
        return "it lies beside a hollow edge, which draws the resin out of its neighbourhood"
    if np.ptp(here) < 0.5 * sharp:
        return "it is an open wall, to which not all the resin that turning carries away returns"
    return "the wall curves here, and no spin tried brings more resin"


def _words(place_mm: NDArray[np.float64]) -> str:
    return str([round(float(x)) for x in place_mm])
