"""Convergence of the film at a rim, on meshes finer than those of any plan. Takes some minutes.

python -m tests.bench film_rim

An open ball, one coat at 4:1 and 8 rpm. If the ball is turned about its axis before the start, the
same film lies on other cells: four such starts show the effect of the mesh on a figure.
"""

from __future__ import annotations

import numpy as np

from evenwall.numerics.film import Coat, Spin, WallWeights, coats
from evenwall.units import rad_s
from tests.support.balls import open_ball, resin

RADIUS_M, CUT_M, MEAN_M = 0.08, 0.05, 1.3e-3
EDGES_MM = (8.0, 6.0, 5.0, 4.0, 3.0, 2.5)
STARTS_RAD = np.radians([0.0, 25.0, 50.0, 75.0])
BELOW_M = 0.012  # a patch's width


def spin(start_rad: float) -> Spin:
    speeds = (np.array([rad_s(8.0)]), np.array([rad_s(2.0)]))
    return Spin(0.0, 0.0, start_rad, np.array([5.0]), *speeds)


def thinnest(edge_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return for each start the thinnest patch over the mean: of all patches, and of those that do
    not reach the rim."""
    mesh = open_ball(RADIUS_M, CUT_M, edge_mm, subdivisions=6)
    volume_m3 = MEAN_M * mesh.total_area
    runs = coats(mesh, [Coat(resin(), spin(float(s)), volume_m3) for s in STARTS_RAD])
    weights = WallWeights.of(mesh)
    patches = np.array([weights.patch_means(run.film_m) for run in runs]) / MEAN_M
    return patches.min(axis=1), patches[:, mesh.points[:, 2] < CUT_M - BELOW_M].min(axis=1)


def main() -> None:
    found = []
    for edge_mm in EDGES_MM:
        rim, inside = thinnest(edge_mm)
        found.append(rim)
        print(
            f"{edge_mm:.1f} mm: thinnest patch {rim.mean():.3f} +- {rim.std(ddof=1):.3f} of the "
            f"mean, away from the rim {inside.mean():.3f} +- {inside.std(ddof=1):.3f}",
            flush=True,
        )
    (slope, limit), spread = np.polyfit(EDGES_MM, np.mean(found, axis=1), 1, cov=True)
    off = np.mean(found, axis=1) - np.polyval([slope, limit], EDGES_MM)
    print(
        f"as a straight line of the spacing: {limit:.3f} +- {np.sqrt(spread[1, 1]):.3f} with no "
        f"spacing left, {slope:.4f} a mm, off it by {np.abs(off).max():.3f} at the most"
    )


if __name__ == "__main__":
    main()
