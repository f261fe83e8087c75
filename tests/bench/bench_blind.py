"""Cast plans in a world that the planner does not know: thinnest patch, mean wall, and the share
that keeps the odds.

Five forms with forty draws each; every draw has another resin, room, operator and frame
(simulation/blind). The plan is made once per form and kept in build/blind; no constant of the
planner or of the world was set on these seeds. Figures of a wall are resin volume per area over the
plan's printed mean.

    python -m tests.bench blind                                  five forms, forty draws
    FORMS="globe lighthouse" DRAWS=16 SPACING=7 BUDGET=60 python -m tests.bench blind
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, Mould, Plan, read_resin, read_rig
from evenwall.planning import make_plan
from evenwall.simulation.blind.draws import draw
from evenwall.simulation.blind.world import BlindWorld, as_planned
from evenwall.units import percent
from evenwall_bridge.clock import SystemClock
from tests.bench.forms import FORMS

ROOT = Path(__file__).resolve().parents[2]
KEPT = ROOT / "build" / "blind"
WANTED = "globe lighthouse vase bottle box"
FIRST_SEED = 24_000  # these seeds serve this bench alone
AT_ONCE = 16  # castings whose coats share one batch of the film
HEAD = (
    "| form | printed: min, nine in ten | thinnest/mean: median, 10th | mean | lid | kept |",
    "| --- | --- | --- | --- | --- | --- |",
)


def kept_plan(name: str, budget_s: float | None) -> Plan:
    """The form's plan of 4.2 mm in three coats, made or read again."""
    KEPT.mkdir(parents=True, exist_ok=True)
    mesh = (KEPT / f"{name}.ply").resolve()
    if not mesh.exists():
        FORMS[name]().export(mesh)
    path = KEPT / f"{name}-{budget_s or 'full'}.json"
    if not path.exists():
        casting = Casting(
            name=name,
            mesh=mesh,
            resin=read_resin(ROOT / "controller" / "samples" / "quick-clear.toml"),
            wall_mm=4.2,
            coats=3,
            mould=Mould(temp_degC=21.0),
        )
        rig = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
        plan = make_plan(casting, rig, time_budget_s=budget_s)
        path.write_text(plan.model_dump_json())
    return Plan.model_validate_json(path.read_text())


def row(name: str, plan: Plan, draws: int, spacing_mm: float) -> str:
    """Cast the plan in this many worlds; return one line of the table."""
    world = BlindWorld(plan, load_cavity(plan.casting), spacing_mm=spacing_mm)
    found = []
    for at in range(0, draws, AT_ONCE):
        seeds = range(FIRST_SEED + at, FIRST_SEED + min(at + AT_ONCE, draws))
        lucks = [draw(seed, len(plan.coats)) for seed in seeds]
        found += [truth for _, truth in world.cast(lucks, [as_planned(plan, k) for k in lucks])]
    printed = plan.wall.mean_mm
    odds_mm = plan.details.get("odds", {}).get("nine_in_ten_mm")
    of_mean = np.array([truth.liquid_min_mm / truth.liquid_mean_mm for truth in found])
    cured = np.array([truth.min_mm for truth in found])
    mean = np.mean([truth.mean_mm for truth in found]) / printed
    lid = np.mean([truth.lid_share for truth in found])
    kept = "-" if odds_mm is None else percent(np.mean(cured >= odds_mm))
    nine = "-" if odds_mm is None else f"{odds_mm / printed:.3f}"
    return (
        f"| {name} | {(plan.wall.min_mm or 0.0) / printed:.3f}, {nine} | "
        f"{np.median(of_mean):.3f}, {np.percentile(of_mean, 10):.3f} | "
        f"{percent(mean - 1.0, 1, '+')} | {percent(lid, 1)} | {kept} |"
    )


def main() -> None:
    budget = os.environ.get("BUDGET")
    draws, spacing_mm = int(os.environ.get("DRAWS", "40")), float(os.environ.get("SPACING", "6"))
    clock = SystemClock()
    print(*HEAD, sep="\n", flush=True)
    for name in os.environ.get("FORMS", WANTED).split():
        plan = kept_plan(name, float(budget) if budget else None)
        from_s = clock.now_s()
        print(row(name, plan, draws, spacing_mm), flush=True)
        print(f"\n{name}: {(clock.now_s() - from_s) / draws:.1f} s a casting", flush=True)


if __name__ == "__main__":
    main()
