"""A first answer of every sample form and of ten random ones: processor time, wall and error.

Goal: within 10 s on two cores. It uses one core, so its processor time is the time on an idle
machine.

    python -m tests.bench first_answer            all of them
    FORMS="sea-rock,random 3" python -m tests.bench first_answer
"""

from __future__ import annotations

import os
import resource
import tempfile
from pathlib import Path

import numpy as np
import trimesh

from evenwall.geometry.shapes.sections import Sections, turn
from evenwall.model import Casting, read_casting
from evenwall.planning.first_answer import first_plan
from tests.support.virtual_shop import SAMPLES, sample_rig

GOAL_s = 10.0
RANDOM = 10
MOST_HALF_MM = 70.0  # the clearance of the sample frame, with an oval of 1.4


def processor_s() -> float:
    """Processor time of this process so far, all threads."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def random_form(seed: int) -> trimesh.Trimesh:
    """An oval turned form with a round bottom, 60 to 180 mm high, waved and leaning."""
    rng = np.random.default_rng(seed)
    tall_mm = float(rng.uniform(60.0, 180.0))
    z = np.linspace(0.0, tall_mm, 9)
    wide = rng.uniform(0.25, 0.5) * tall_mm * (1.0 + 0.3 * np.cumsum(rng.normal(0.0, 0.4, 9)) / 3)
    half = np.clip(wide, 18.0, MOST_HALF_MM)
    half[0] = 0.0
    lean = np.column_stack([rng.normal(0.0, 0.05) * z, rng.normal(0.0, 0.05) * z])
    oval = float(rng.uniform(0.7, 1.4))
    sections = Sections(z, half, oval * half, lean, "round", "open")
    return trimesh.Trimesh(*turn(sections, max(1.0, tall_mm / 60.0)))


def castings(folder: Path) -> dict[str, Casting]:
    """The samples' castings, and those of the random forms."""
    found = {path.stem: read_casting(path) for path in sorted(SAMPLES.glob("*.toml")) if _is(path)}
    shade = found["bell-shade"]
    for seed in range(RANDOM):
        path = folder / f"random-{seed}.ply"
        random_form(seed).export(path)
        found[f"random {seed}"] = shade.model_copy(update={"mesh": path, "shape": None})
    return found


def _is(path: Path) -> bool:
    return path.with_suffix(".stl").is_file() or path.with_suffix(".ply").is_file()


def main() -> None:
    """Print one line for each form."""
    wanted = os.environ.get("FORMS")
    print("| form | skin, cm2 | coats | thinnest patch | processor, s |")
    print("| --- | ---: | ---: | ---: | ---: |")
    slowest = 0.0
    with tempfile.TemporaryDirectory() as scratch:
        for name, casting in castings(Path(scratch)).items():
            if wanted and name not in wanted.split(","):
                continue
            began_s = processor_s()
            plan = first_plan(casting, sample_rig())
            took_s = processor_s() - began_s
            slowest = max(slowest, took_s)
            wall = plan.wall
            told = "not computed" if wall.min_mm is None else f"{wall.min_mm / wall.mean_mm:.2f}"
            if wall.min_mm is not None and wall.error_mm is not None:
                told += f" +- {wall.error_mm / wall.mean_mm:.2f}"
            skin = plan.geometry.area_cm2
            print(
                f"| {name} | {skin:.0f} | {len(plan.coats)} | {told} | {took_s:.1f} |", flush=True
            )
    print(f"slowest: {slowest:.1f} s of {GOAL_s:g} s")


if __name__ == "__main__":
    main()
