"""Speed of the film's two kernels, in processor time, best of several.

python tests/bench/bench_film.py
"""

from __future__ import annotations

import time

import numpy as np
import trimesh

from controller.film import Coat, FilmMesh, FilmResult, Fluid, Spin, coat, coats
from controller.filmmesh import remesh
from controller.units import rad_s

STAGES = 4  # right-hand sides a step


def open_sphere(edge_mm: float) -> FilmMesh:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.08)
    part = ball.slice_plane([0.0, 0.0, 0.05], [0.0, 0.0, -1.0])
    part.merge_vertices()
    points, triangles = remesh(np.asarray(part.vertices), np.asarray(part.faces), edge_mm * 1e-3)
    return FilmMesh.build(points, triangles[:, ::-1])


def batch(mesh: FilmMesh, gel_s: float, lanes: int) -> list[Coat]:
    t = np.linspace(0.0, 0.99 * gel_s, 80)
    fluid = Fluid(1080.0, 0.035, t, 0.6 * (1.0 - t / gel_s) ** -2.0)
    volume_m3 = 1.3e-3 * mesh.total_area
    return [
        Coat(fluid, Spin.steady(rad_s(8.0), rad_s(2.0 + 0.01 * k), ramp_s=5.0), volume_m3)
        for k in range(lanes)
    ]


def ns(mesh: FilmMesh, runs: list[FilmResult], taken_s: float) -> float:
    return taken_s / (sum(r.steps for r in runs) * STAGES * mesh.cells) * 1e9


def main() -> None:
    mesh = open_sphere(6.0)
    coats(mesh, batch(mesh, 5.0, 16))  # compiles
    best_ns, best_s = np.inf, np.inf
    for _ in range(2):
        start = time.process_time()
        runs = coats(mesh, batch(mesh, 720.0, 16))
        taken_s = time.process_time() - start
        best_ns, best_s = min(best_ns, ns(mesh, runs, taken_s)), min(best_s, taken_s / 16)
    print(f"batched, {mesh.cells} cells: {best_ns:.1f} ns per cell, right-hand side and lane")
    print(f"12-minute coat in batches of 16: {best_s:.2f} s")
    best_ns = np.inf
    for _ in range(2):
        start = time.process_time()
        one = coat(mesh, batch(mesh, 20.0, 1)[0])
        best_ns = min(best_ns, ns(mesh, [one], time.process_time() - start))
    print(f"reference, {mesh.cells} cells: {best_ns:.0f} ns per cell and right-hand side")


if __name__ == "__main__":
    main()
