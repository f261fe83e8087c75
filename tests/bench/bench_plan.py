"""Plans of our own forms: the promised wall compared with the goals, and the cost.

Goals, for a three-coat total on a mesh of 5 mm or finer. Thinnest patch/mean >= 0.88 for smooth
forms and >= 0.78 for boxy or branching ones. 5th percentile >= 0.93 and >= 0.83, rim 0.90 to 1.10.
At least 1.25 times the thinnest patch of a speed-tuned 4:1 repeated, worst day >= 0.75; within 60 s
on two idle cores, under 1 GB.

    python -m tests.bench plan                        every form, and one of them cold and warm
    FORMS="box vase" python -m tests.bench plan       some; FORMS= none
    TIMED=globe python -m tests.bench plan            the one that is timed, TIMED= none

The table is Markdown, for web/guide/how-it-works.md. Its seconds are those of a busy machine if
other work goes on; the timed form needs an idle machine.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from evenwall.model import Casting, Mould, Plan, read_resin, read_rig
from evenwall.planning import make_plan
from evenwall_bridge.clock import SystemClock
from tests.bench.forms import BOXY, FORMS

ROOT = Path(__file__).resolve().parents[2]
RIG = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
RESIN = read_resin(ROOT / "controller" / "samples" / "quick-clear.toml")
SMOOTH_GOAL, BOXY_GOAL = (0.88, 0.93), (0.78, 0.83)
HEAD = (
    "| form | thinnest | 5 % below | rim | worst day | bound | times 4:1 | seconds | falls short |",
    "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
)


def planned(name: str) -> tuple[Plan, float, float]:
    """Return a plan of 4.2 mm in three coats, its time in s, and the time to 95 % of its thinnest
    patch."""
    clock = SystemClock()
    seen: list[tuple[float, str]] = []
    with tempfile.TemporaryDirectory() as folder:
        mesh = Path(folder) / "form.ply"
        FORMS[name]().export(mesh)
        casting = Casting(
            name=name, mesh=mesh, resin=RESIN, wall_mm=4.2, coats=3, mould=Mould(temp_degC=21.0)
        )
        started_s = clock.now_s()

        def tell(_part: float, words: str) -> None:
            seen.append((clock.now_s() - started_s, words))

        plan = make_plan(casting, RIG, progress=tell)
        took_s = clock.now_s() - started_s
    low = (plan.wall.min_mm or 0.0) / plan.wall.mean_mm
    good = [at for at, words in seen if "patch" in words and float(words.split()[2]) >= 0.95 * low]
    return plan, took_s, min(good, default=took_s)


def row(name: str, plan: Plan, took_s: float) -> str:
    """Return one line of the table, with the shortfall of each missed goal."""
    w, search = plan.wall, plan.details["search"]
    low, p05, rim, worst, bound = (
        (value or 0.0) / w.mean_mm
        for value in (w.min_mm, w.p05_mm, w.rim_mm, w.worst_case_min_mm, w.bound_min_mm)
    )
    gain = search["gain_over_baseline"]
    goal, goal_p05 = BOXY_GOAL if name in BOXY else SMOOTH_GOAL
    short = [
        words
        for missed, words in (
            (low < goal, f"thinnest < {goal}"),
            (p05 < goal_p05, f"5 % < {goal_p05}"),
            (not 0.9 <= rim <= 1.1, "rim"),
            (worst < 0.75, "worst day < 0.75"),
            (gain is not None and gain < 1.25, "< 1.25 x"),
        )
        if missed
    ]
    return (
        f"| {name} | {low:.3f} | {p05:.3f} | {rim:.3f} | {worst:.3f} | {bound:.3f} | "
        f"{'bare' if gain is None else f'{gain:.2f}'} | {took_s:.0f} | {', '.join(short) or '-'} |"
    )


def timed(name: str) -> None:
    """Run in a separate process, first without and then with compiled kernels in the cache."""
    code = (
        "import resource; from tests.bench.bench_plan import planned;"
        f"p, took, good = planned({name!r});"
        "print(f'{took:.1f} s, 95 % of it after {good:.1f} s, at most '"
        "f'{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB')"
    )
    with tempfile.TemporaryDirectory() as cache:
        for words in ("cold", "warm"):
            run = subprocess.run(
                [sys.executable, "-c", code],
                cwd=ROOT,
                env={**os.environ, "XDG_CACHE_HOME": cache},
                capture_output=True,
                text=True,
                check=True,
            )
            print(f"{name}, {words}: {run.stdout.strip()}", flush=True)


def main() -> None:
    if name := os.environ.get("TIMED", "globe"):
        timed(name)
    names = os.environ.get("FORMS", " ".join(FORMS)).split()
    if not names:
        return
    print(*HEAD, sep="\n", flush=True)
    said = []
    for name in names:
        plan, took_s, _ = planned(name)
        print(row(name, plan, took_s), flush=True)
        said += [f"{name}: {limit}" for limit in plan.limits]
    print(f"\n{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB", *said, sep="\n")


if __name__ == "__main__":
    main()
