"""Growth of the film's time and memory with the mesh, from 2,000 cells to 50,000.

python -m tests.bench film_growth
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from evenwall.numerics.film import Coat, FilmMesh, coats
from tests.bench.bench_film import LANES, apart, batch, ns, open_sphere, timed

EDGES_MM = (6.0, 4.2, 3.0, 2.1, 1.5, 1.17)
FINEST_MM, STEPS = EDGES_MM[-1], 100


def from_even(mesh: FilmMesh, end_s: float) -> list[Coat]:
    """Start from an even film, so that every mesh does the same work."""
    even = np.full(mesh.cells, 1.3e-3)
    return [Coat(c.fluid, c.spin, start_m=even) for c in batch(mesh, end_s, LANES)]


def growth() -> None:
    cells, each, whole = [], [], []
    for edge_mm in EDGES_MM:
        mesh = open_sphere(edge_mm)
        # Surface tension makes the steps go with the fourth power of the spacing: all meshes get
        # about as many.
        span_s = min(STEPS * 3e-3 * (edge_mm / 1.5) ** 4, STEPS * 0.3)
        many = from_even(mesh, span_s)
        coats(mesh, from_even(mesh, 1e-3))
        runs, taken_s = timed(lambda m=mesh, c=many: coats(m, c))
        cells.append(mesh.cells)
        each.append(ns(mesh, runs, taken_s))
        whole.append(taken_s / LANES / span_s)
        print(
            f"{mesh.cells} cells ({edge_mm} mm): {each[-1]:.1f} ns per cell, right-hand side and "
            f"lane; {whole[-1] * 1e3:.1f} ms a second of spin and lane ({runs[0].steps} steps of "
            f"{span_s / runs[0].steps * 1e3:.1f} ms)",
            flush=True,
        )
    print(
        f"time goes as cells to the power {1 + slope(cells, each):.2f} per right-hand side, "
        f"{slope(cells, whole):.2f} per second of spin"
    )


def slope(x: list[int], y: list[float]) -> float:
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def film_of_fifty_thousand(way: str) -> None:
    """Run in a separate process, to measure its memory."""
    points, triangles = np.load(way)["points"], np.load(way)["triangles"]
    mesh = FilmMesh.build(points, triangles)
    coats(mesh, from_even(mesh, 0.05))
    # Not getrusage: its peak is inherited from the process that started this one.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    peak_MB = float(status.split("VmHWM:")[1].split()[0]) / 1024
    print(f"memory: {peak_MB:.0f} MB at the most for sixteen lanes of {mesh.cells} cells, all told")


def memory() -> None:
    mesh = open_sphere(FINEST_MM)
    with tempfile.TemporaryDirectory() as scratch:
        way = str(Path(scratch) / "mesh.npz")
        np.savez(way, points=mesh.points, triangles=mesh.triangles)
        print(apart(__file__, "fifty-thousand", way))


def main() -> None:
    growth()
    memory()


if __name__ == "__main__":
    if sys.argv[1:2] == ["fifty-thousand"]:
        film_of_fifty_thousand(sys.argv[2])
    else:
        main()
