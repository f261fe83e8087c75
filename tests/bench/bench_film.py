"""The film's speed, in processor time: start-up, both kernels, a bandwidth bound, and what the
usual time steps cost in accuracy.

python -m tests.bench film runs this and its neighbours film_growth, film_rim and film_tools.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from evenwall.numerics.film import Coat, FilmMesh, FilmResult, Numerics, Spin, coat, coats
from evenwall.units import percent, rad_s
from tests.support.balls import GEL_S, SET_S, open_ball, resin

STAGES = 4  # right-hand sides a step
LANES = 16
ROOT = Path(__file__).resolve().parents[2]
# Bytes that a right-hand side must move per cell and lane if each array is moved once: fluxes (3
# edges, 4 bytes) out and in, film (8) in and out, film at the step's start (8) in, its float copy
# (4) out and in, two potentials (4) out and in.
BYTES = 3 * 4 * 2 + 8 * 2 + 8 + 4 * 2 + 2 * 4 * 2


def open_sphere(edge_mm: float) -> FilmMesh:
    return open_ball(0.08, 0.05, edge_mm, subdivisions=5)


def batch(mesh: FilmMesh, end_s: float, lanes: int) -> list[Coat]:
    """Coats with different ratios and one resin of 0.6 Pa s that gels at `GEL_S`; only the first
    `end_s`."""
    fluid = resin(min(end_s, SET_S), entries=80)
    volume_m3 = 1.3e-3 * mesh.total_area
    return [
        Coat(fluid, Spin.steady(rad_s(8.0), rad_s(2.0 + 0.01 * k), ramp_s=5.0), volume_m3)
        for k in range(lanes)
    ]


def ns(mesh: FilmMesh, runs: list[FilmResult], taken_s: float) -> float:
    return taken_s / (sum(r.steps for r in runs) * STAGES * mesh.cells) * 1e9


def timed(work: Callable[[], list[FilmResult]], times: int = 1) -> tuple[list[FilmResult], float]:
    best_s = np.inf
    for _ in range(times):
        start = time.process_time()
        runs = work()
        best_s = min(best_s, time.process_time() - start)
    return runs, best_s


def copy_bytes_s(size: int) -> float:
    """Bytes read and written per second by a copy of `size` bytes, best of several."""
    a, b = np.ones(size // 8), np.empty(size // 8)
    rounds = max(3, 200_000_000 // size)
    best_s = np.inf
    for _ in range(5):
        start = time.process_time()
        for _ in range(rounds):
            b[:] = a
        best_s = min(best_s, time.process_time() - start)
    return 2.0 * size * rounds / best_s


def kernels() -> None:
    for edge_mm, times in ((6.0, 2), (3.2, 1)):
        mesh = open_sphere(edge_mm)
        runs, taken_s = timed(lambda m=mesh: coats(m, batch(m, GEL_S, LANES)), times)
        steps = [r.steps for r in runs]
        each_ns = ns(mesh, runs, taken_s)
        print(
            f"batched, {mesh.cells} cells: {each_ns:.1f} ns per cell, right-hand side and lane; "
            f"a 12-minute coat {taken_s / LANES:.2f} s ({np.mean(steps):.0f} steps, lanes "
            f"{percent(np.mean(steps) / max(steps))} full)"
        )
        held = mesh.cells * LANES * BYTES // 2
        for name, size in (("the kernel's own arrays", held), ("400 MB", 400_000_000)):
            bound_ns = BYTES / copy_bytes_s(size) * 1e9
            print(
                f"  bound by moving {BYTES} bytes at the speed of copying {name}: "
                f"{bound_ns:.1f} ns, so {each_ns / bound_ns:.1f} times the bound"
            )
        if times > 1:
            coat(mesh, batch(mesh, 5.0, 1)[0])  # compiles
            plain, plain_s = timed(lambda m=mesh: [coat(m, batch(m, 40.0, 1)[0])], 3)
            plain_ns = ns(mesh, plain, plain_s)
            print(
                f"reference, {mesh.cells} cells: {plain_ns:.0f} ns per cell and right-hand side, "
                f"{plain_ns / each_ns:.0f} times the batched kernel's"
            )


def steps_in_time() -> None:
    """Error of the usual time steps: against steps a quarter as long, from the pool."""
    mesh = open_sphere(3.2)
    one = batch(mesh, GEL_S, 1)
    fine = coats(mesh, one, numerics=Numerics(turn_steps=80, cfl=0.175))[0]
    usual = coats(mesh, one)[0]
    off = np.sqrt(mesh.area @ (usual.film_m - fine.film_m) ** 2 / (mesh.area @ fine.film_m**2))
    print(
        f"time steps, {mesh.cells} cells: L2 error {off:.4f} of {usual.steps} steps against "
        f"{fine.steps}"
    )


def stabilised_steps() -> None:
    """Saving of stabilised steps at each cap of the pool's mobility, and their difference."""
    mesh = open_sphere(4.6)
    many = batch(mesh, GEL_S, 2)
    for cap in (2.0, 3.0, 4.0):
        rules = Numerics(cap_ratio=cap, cfl=1.0)
        longer = replace(rules, stabilised=True)
        plain, plain_s = timed(lambda r=rules: coats(mesh, many, numerics=r))
        found, found_s = timed(lambda r=longer: coats(mesh, many, numerics=r))
        off = max(
            np.sqrt(mesh.area @ (a.film_m - b.film_m) ** 2 / (mesh.area @ b.film_m**2))
            for a, b in zip(found, plain, strict=True)
        )
        print(
            f"stabilised steps, cap {cap:g}, {mesh.cells} cells: {plain_s / found_s:.2f} times "
            f"quicker ({found[0].steps} steps for {plain[0].steps}), L2 difference {off:.4f}"
        )


def apart(*words: str, **changed: str) -> str:
    run = subprocess.run(
        [sys.executable, *words],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | changed,
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return run.stdout.strip()


def start_up() -> None:
    loads = "import time; a = time.perf_counter(); import evenwall.numerics.film as f; b = "
    loads += "time.perf_counter(); f.have_compiler(); print(b - a, time.perf_counter() - b)"
    plain = "import time, numpy, trimesh; from evenwall.numerics.film import *; ball = "
    plain += "trimesh.creation.icosphere(3, 0.08); mesh = FilmMesh.build(ball.vertices, "
    plain += "ball.faces[:, ::-1]); one = Coat(Fluid(1080.0, 0.035, [0.0, 0.1], [0.6, 0.6]), "
    plain += "Spin.steady(0.8, 0.2), start_m=numpy.full(mesh.cells, 1e-3)); a = "
    plain += "time.perf_counter(); coat(mesh, one); print(time.perf_counter() - a)"
    with tempfile.TemporaryDirectory() as scratch:
        kept = {"XDG_CACHE_HOME": scratch, "NUMBA_CACHE_DIR": scratch}
        cold, warm = (apart("-c", loads, **kept).split() for _ in range(2))
        plain_cold, plain_warm = (float(apart("-c", plain, **kept)) for _ in range(2))
    print(
        f"start-up: imports {float(warm[0]):.2f} s; compiling the batched kernel "
        f"{float(cold[1]):.1f} s, kept {float(warm[1]) * 1e3:.1f} ms; the reference with numba "
        f"{plain_cold:.1f} s, kept {plain_warm:.1f} s"
    )


def main() -> None:
    start_up()
    kernels()
    steps_in_time()
    stabilised_steps()


if __name__ == "__main__":
    main()
