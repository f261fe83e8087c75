"""Plans of random forms by seed, on which nothing was tuned, judged on a mesh of 3 mm.

    python -m tests.bench forms               sixty forms; takes hours
    FORMS=5 python -m tests.bench forms       the first five of them
    TUNING=1 python -m tests.bench forms      the disjoint forms that may be tuned on

    BUDGET_S=60 python -m tests.bench forms   every plan in at most a minute, not for the record

Every result is kept in build/bench_forms and not computed again, so an interrupted bench continues
where it was. FRESH=1 computes everything again, which is necessary after a change of the planner.
The thinnest patch and the mean are those on the judge's mesh; the worst day is the plan's. With
BUDGET_S nothing is kept.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from evenwall.errors import EvenwallError
from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, Mould, read_resin, read_rig
from evenwall.numerics.film import Coat, FilmMesh, FilmResult
from evenwall.planning import make_plan, walls
from evenwall.planning.wall import compute_wall, default_mesh_mm
from tests.bench import kept as files
from tests.bench.random_forms import form

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "build" / "bench_forms"
RIG = read_rig(ROOT / "hardware" / "rigs" / "great.toml")
RESIN = read_resin(ROOT / "controller" / "samples" / "quick-clear.toml")
TOLD, TUNING = range(1, 61), range(1001, 1061)
JUDGE_MM = 3.0
BUDGET_S = float(os.environ["BUDGET_S"]) if "BUDGET_S" in os.environ else None
FIGURES = ("thinnest/mean", "thinnest/bound", "worst/mean", "film steps")


def casting(mesh: Path) -> Casting:
    return Casting(
        name=mesh.stem, mesh=mesh, resin=RESIN, wall_mm=4.2, coats=3, mould=Mould(temp_degC=21.0)
    )


class Counted:
    """The film, with the time steps of all its coats counted."""

    def __init__(self) -> None:
        self.film, self.steps, self._lock = walls.coats, 0, threading.Lock()

    def __call__(self, mesh: FilmMesh, many: Sequence[Coat], **rules: Any) -> list[FilmResult]:
        found = self.film(mesh, many, **rules)
        with self._lock:
            self.steps += sum(one.steps for one in found)
        return found


def judged(seed: int) -> dict[str, Any]:
    """Plan the form of a seed and judge it. A plan that is refused says so."""
    path = KEPT / f"form_{seed}.ply"
    made = form(seed, casting, RIG, path)
    about = {"seed": seed, "kind": made.kind, "lean_deg": made.lean_deg, "size_mm": made.size_mm}
    counted, started_s = Counted(), time.process_time()
    walls.coats = counted  # type: ignore[assignment]
    try:
        plan = make_plan(casting(path), RIG, time_budget_s=BUDGET_S)
    except EvenwallError as refused:
        return about | {"refused": str(refused)}
    finally:
        walls.coats = counted.film
    spent_s = time.process_time() - started_s
    judge_mm = min(JUDGE_MM, default_mesh_mm(load_cavity(plan.casting)))  # a small form's is finer
    wall = compute_wall(plan, judge_mm, threads=2).statistics
    promised = plan.wall
    bound = (promised.bound_min_mm or np.nan) / promised.mean_mm
    low = wall.min / wall.mean
    values = (low, low / bound, (promised.worst_case_min_mm or np.nan) / promised.mean_mm)
    figures = dict(zip(FIGURES, (*map(float, values), counted.steps), strict=True))
    return about | figures | {"processor_s": spent_s, "commit": files.commit()}


def kept(seed: int) -> dict[str, Any]:
    """The result of a seed, computed unless it is there."""
    if BUDGET_S is not None:
        return judged(seed)
    return files.kept(KEPT / f"{seed}.json", lambda: judged(seed))


def row(found: dict[str, Any]) -> str:
    about = f"| {found['seed']} | {found['kind']} | {found['lean_deg']:.0f} "
    about += f"| {found['size_mm']:.0f} | "
    if "refused" in found:
        return f"{about}refused: {found['refused']} |"
    values = [f"{found[name]:.3f}" for name in FIGURES[:3]]
    return about + " | ".join([*values, f"{found['film steps']}"]) + " |"


def summary(results: list[dict[str, Any]]) -> list[str]:
    """The median and the tenth percentile of every figure."""
    sound = [one for one in results if "refused" not in one]
    lines = [f"{len(sound)} forms planned, {len(results) - len(sound)} refused"]
    if not sound:
        return lines
    for name in FIGURES:
        values = [one[name] for one in sound]
        median, low = np.nanmedian(values), np.nanpercentile(values, 10)
        lines.append(f"{name}: median {median:.4g}, 10th percentile {low:.4g}")
    commits = sorted({one["commit"] for one in sound})
    if len(commits) > 1:
        lines.append(f"computed at different commits: {', '.join(commits)}")
    return lines


def main() -> None:
    KEPT.mkdir(parents=True, exist_ok=True)
    seeds = TUNING if os.environ.get("TUNING") == "1" else TOLD
    many = int(os.environ.get("FORMS", len(seeds)))
    print("| seed | kind | lean, degrees | size, mm | " + " | ".join(FIGURES) + " |")
    print("| --- " * (4 + len(FIGURES)) + "|", flush=True)
    results = []
    for seed in seeds[:many]:
        results.append(kept(seed))
        print(row(results[-1]), flush=True)
    print(*summary(results), sep="\n")


if __name__ == "__main__":
    main()
