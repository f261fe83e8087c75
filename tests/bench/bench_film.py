"""The film's speed, in processor time: both kernels, a bandwidth bound, growth with the mesh,
memory, start-up, and general tools for partial differential equations at equal error.

python -m tests.bench film
"""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import trimesh

from controller.film import Coat, FilmMesh, FilmResult, Fluid, Numerics, Spin, coat, coats
from controller.filmmesh import remesh
from controller.units import rad_s
from tests.bench import cylinder

STAGES = 4  # right-hand sides a step
LANES = 16
GEL_S = 720.0
ROOT = Path(__file__).resolve().parents[2]
# What a right-hand side must move per cell and lane, if each array moved once: fluxes (3 edges,
# 4 bytes) out and in, film (8) in and out, film at the step's start (8) in, its float copy (4) out
# and in, two potentials (4) out and in.
BYTES = 3 * 4 * 2 + 8 * 2 + 8 + 4 * 2 + 2 * 4 * 2


def open_sphere(edge_mm: float) -> FilmMesh:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.08)
    part = ball.slice_plane([0.0, 0.0, 0.05], [0.0, 0.0, -1.0])
    part.merge_vertices()
    points, triangles = remesh(np.asarray(part.vertices), np.asarray(part.faces), edge_mm * 1e-3)
    return FilmMesh.build(points, triangles[:, ::-1])


def batch(mesh: FilmMesh, end_s: float, lanes: int) -> list[Coat]:
    """Unlike ratios, one resin of 0.6 Pa s that gels at `GEL_S`; its first `end_s`."""
    t = np.linspace(0.0, min(end_s, 0.99 * GEL_S), 80)
    fluid = Fluid(1080.0, 0.035, t, 0.6 * (1.0 - t / GEL_S) ** -2.0)
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
            f"{np.mean(steps) / max(steps):.0%} full)"
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
    """What the usual steps cost in accuracy: against steps an eighth as long, from the pool."""
    mesh = open_sphere(8.0)
    one = batch(mesh, GEL_S, 1)
    fine = coats(mesh, one, numerics=Numerics(turn_steps=160, cfl=0.0875))[0]
    usual = coats(mesh, one)[0]
    off = np.sqrt(mesh.area @ (usual.film_m - fine.film_m) ** 2 / (mesh.area @ fine.film_m**2))
    print(
        f"time steps, {mesh.cells} cells: L2 error {off:.4f} of {usual.steps} steps against "
        f"{fine.steps}"
    )


def growth() -> None:
    cells, each, whole = [], [], []
    for edge_mm in (6.0, 4.2, 3.0, 2.1, 1.5, 1.22):
        mesh = open_sphere(edge_mm)
        # From an even film, so that every mesh does the same: a few hundred steps.
        many = [
            Coat(c.fluid, c.spin, start_m=np.full(mesh.cells, 1.3e-3))
            for c in batch(mesh, 8.0 if edge_mm > 2.5 else 0.2, LANES)
        ]
        runs, taken_s = timed(lambda m=mesh, c=many: coats(m, c))
        cells.append(mesh.cells)
        each.append(ns(mesh, runs, taken_s))
        whole.append(np.mean([r.steps / r.end_s for r in runs]) * each[-1] * mesh.cells)
    shown = ", ".join(f"{n}: {t:.1f}" for n, t in zip(cells, each, strict=True))
    print(f"ns by cells: {shown}")
    print(
        f"time goes as cells to the power {1 + slope(cells, each):.2f} per right-hand side, "
        f"{slope(cells, whole):.2f} per second of spin (surface tension wants steps as the fourth "
        "power of the spacing)"
    )


def slope(x: list[int], y: list[float]) -> float:
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def film_of_fifty_thousand(way: str) -> None:
    """In a process of its own, for its memory."""
    points, triangles = np.load(way)["points"], np.load(way)["triangles"]
    mesh = FilmMesh.build(points, triangles)
    coats(mesh, batch(mesh, 0.2, LANES))
    # Not getrusage: its peak is inherited from the process that started this one.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    peak_MB = float(status.split("VmHWM:")[1].split()[0]) / 1024
    print(f"memory: {peak_MB:.0f} MB at the most for sixteen lanes of {mesh.cells} cells, all told")


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


def memory() -> None:
    mesh = open_sphere(1.22)
    with tempfile.TemporaryDirectory() as scratch:
        way = str(Path(scratch) / "mesh.npz")
        np.savez(way, points=mesh.points, triangles=mesh.triangles)
        print(apart(__file__, "fifty-thousand", way))


def start_up() -> None:
    loads = "import time; a = time.perf_counter(); import controller.film as f; b = "
    loads += "time.perf_counter(); f.have_compiler(); print(b - a, time.perf_counter() - b)"
    plain = "import time; import controller.film.inputs; a = time.perf_counter(); import "
    plain += "controller.film.reference as r, numpy as n; h = n.ones(3); r.fastest_levelling(h, "
    plain += "n.ones((3, 3)), n.ones(3), h, h, 1.0, 1.0); print(time.perf_counter() - a)"
    with tempfile.TemporaryDirectory() as scratch:
        kept = {"XDG_CACHE_HOME": scratch, "NUMBA_CACHE_DIR": scratch}
        cold, warm = (apart("-c", loads, **kept).split() for _ in range(2))
        plain_cold, plain_warm = (float(apart("-c", plain, **kept)) for _ in range(2))
    print(
        f"start-up: imports {float(warm[0]):.2f} s; compiling the batched kernel "
        f"{float(cold[1]):.1f} s, kept {float(warm[1]) * 1e3:.1f} ms; the reference with numba "
        f"{plain_cold:.1f} s, kept {plain_warm:.1f} s"
    )


def against_general_tools() -> None:
    n = 128
    cylinder.ours(n)
    film, ours_s = min((cylinder.ours(n) for _ in range(3)), key=lambda run: run[1])
    reached = cylinder.error(film)
    print(
        f"film on a turning cylinder, {cylinder.TURNS} turns: ours {ours_s * 1e3:.2f} ms a lane, "
        f"L2 error {reached:.1e}"
    )
    for method in ("BDF", "LSODA"):
        good = []
        for cells, tolerance in itertools.product((96, 128, 160), (1e-4, 3e-5, 1e-5, 1e-6)):
            film, taken_s = cylinder.lines(method, cells, tolerance)
            if cylinder.error(film) <= reached:
                good.append((taken_s, cells, cylinder.error(film)))
        tell(f"scipy {method}, method of lines", *min(good), ours_s)
    cylinder.pde(16, 1e-3)
    for cells, tolerance in ((128, 1e-5), (160, 1e-5), (192, 1e-6)):
        film, taken_s = cylinder.pde(cells, tolerance)
        if cylinder.error(film) <= reached:
            break
    tell("py-pde", taken_s, cells, cylinder.error(film), ours_s)
    film, taken_s = cylinder.fipy(n, 60)
    tell("FiPy, first order in time", taken_s, n, cylinder.error(film), ours_s)


def tell(name: str, taken_s: float, cells: int, error: float, ours_s: float) -> None:
    print(
        f"  {name}: {taken_s * 1e3:.0f} ms, {cells} cells, error {error:.1e}: "
        f"ours is {taken_s / ours_s:.0f} times faster"
    )


def main() -> None:
    start_up()
    kernels()
    steps_in_time()
    growth()
    memory()
    against_general_tools()


if __name__ == "__main__":
    if sys.argv[1:2] == ["fifty-thousand"]:
        film_of_fifty_thousand(sys.argv[2])
    else:
        main()
