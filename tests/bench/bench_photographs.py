"""Walls planned on photographed shapes, held against walls planned on the true meshes.

Ten forms are rendered under a known camera and lofted from their outlines. Each is planned three
times with the same small search: on the photographed shape, on the true mesh, and on the true mesh
with another seed, which tells the search's own scatter. The plan of the photographed shape is then
turned in the true mesh too: that wall is the one its maker gets.

Goals: volume within 3 %; the thinnest patch, over the mean wall, within 0.05 of the true mesh's.

    python -m tests.bench photographs                      ten forms; half an hour of a core
    FORMS="globe,rock" python -m tests.bench photographs   some

Results are kept in build/bench_photographs; FRESH=1 computes them anew.
"""

from __future__ import annotations

import os
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from evenwall.geometry.mould import load_cavity
from evenwall.geometry.shapes.shape import Shape
from evenwall.model import Casting, Mould, Plan, ShapeKnown, read_resin, read_rig
from evenwall.planning import make, make_plan
from evenwall.planning.effort import FULL
from evenwall.planning.wall import compute_wall
from tests.bench.kept import ROOT, commit, kept
from tests.support.photographed import TEN, lofted, shot, skin_of

KEPT = ROOT / "build" / "bench_photographs"
RIG = read_rig(ROOT / "hardware" / "rigs" / "great.toml")
RESIN = read_resin(ROOT / "controller" / "samples" / "quick-clear.toml")
SMALL = replace(FULL, search_cells=800, rounds=2, lanes=16, shortlist=8, decide_cells=1200)
GOAL, VOLUME_GOAL = 0.05, 0.03
JUDGE_MM = 5.0
SEED, OTHER_SEED = 0, 1


def opened(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """The master without the flat lid at its top."""
    top = float(mesh.bounds[1, 2])
    lid = np.asarray(mesh.triangles)[:, :, 2].min(axis=1) > top - 1e-6
    return trimesh.Trimesh(mesh.vertices, mesh.faces[~lid])


def casting(name: str, path: Path, shape: Shape | None) -> Casting:
    """A casting of 4.2 mm in three coats. shape: what is known of it, None for the true mesh."""
    known = shape and ShapeKnown(
        how=shape.how,
        area_error_percent=100.0 * shape.known.area,
        volume_error_percent=100.0 * shape.known.volume,
    )
    mould = Mould(temp_degC=21.0)
    return Casting(
        name=name, mesh=path, resin=RESIN, wall_mm=4.2, coats=3, mould=mould, shape=known
    )


def turned_in(plan: Plan, true: Casting) -> Plan:
    """The plan as its maker turns it: the same resin and spins, in the true mould."""
    geometry = plan.geometry.model_copy(update={"mesh_sha256": load_cavity(true).mesh_sha256})
    return plan.model_copy(update={"casting": true, "geometry": geometry})


def lowest(plan: Plan) -> dict[str, float]:
    """The plan's wall on cells of 5 mm: thinnest patch over the mean, its error, and the mean."""
    found = compute_wall(plan, JUDGE_MM, threads=2)
    mean_mm = 1e3 * found.statistics.mean
    return {
        "thinnest": found.statistics.min / found.statistics.mean,
        "error": found.error_mm / mean_mm,
        "mean_mm": mean_mm,
    }


def figures(name: str) -> dict[str, Any]:
    """Everything about one form."""
    started_s = time.process_time()
    form, views = TEN[name]
    mesh = form()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        shape = lofted(shot(mesh, views, folder), float(np.ptp(mesh.vertices[:, 2])), folder)
        opened(mesh).export(folder / "true.ply")
        shape.mesh().export(folder / "seen.ply")
        true = casting(name, folder / "true.ply", None)
        seen = casting(name, folder / "seen.ply", shape)
        on_seen = make_plan(seen, RIG, seed=SEED)
        found = {
            "seen": lowest(on_seen),
            "as made": lowest(turned_in(on_seen, true)),
            "true": lowest(make_plan(true, RIG, seed=SEED)),
            "true again": lowest(make_plan(true, RIG, seed=OTHER_SEED)),
        }
    return {
        "form": name,
        "photographs": views,
        "volume": shape.volume_cm3 / (abs(mesh.volume) / 1000.0) - 1.0,
        "skin": shape.area_cm2 / skin_of(mesh) - 1.0,
        "skin stated": shape.known.area,
        "processor_s": time.process_time() - started_s,
        "commit": commit(),
        **found,
    }


def row(found: dict[str, Any]) -> str:
    """One line of the table."""
    seen, true = found["seen"]["thinnest"], found["true"]["thinnest"]
    again, as_made = found["true again"]["thinnest"], found["as made"]["thinnest"]
    cells = (
        found["form"],
        found["photographs"],
        f"{found['volume']:+.1%}",
        f"{found['skin']:+.1%}",
        f"{seen:.3f} +- {found['seen']['error']:.3f}",
        f"{true:.3f}",
        f"{again:.3f}",
        f"{seen - true:+.3f}",
        f"{as_made:.3f}",
        f"{as_made - seen:+.3f}",
    )
    return "| " + " | ".join(map(str, cells)) + " |"


def within(found: dict[str, Any], other: str) -> bool:
    """Whether the photographed shape's thinnest patch is within the goal of another one."""
    return bool(abs(found["seen"]["thinnest"] - found[other]["thinnest"]) <= GOAL)


def main() -> None:
    """Print the table."""
    make.FULL = SMALL  # type: ignore[misc]
    wanted = os.environ.get("FORMS", ",".join(n.replace(",", "") for n in TEN)).split(",")
    print("| form | photographs | volume | skin | thinnest, photographed | true mesh "
          "| true, other seed | apart | plan turned in the true mesh | apart |")  # fmt: skip
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |", flush=True)
    results = []
    for name in TEN:
        plain = name.replace(",", "")
        if plain in wanted:
            path = KEPT / f"{plain.replace(' ', '-')}.json"
            results.append(kept(path, lambda name=name: figures(name)))  # type: ignore[misc]
            print(row(results[-1]), flush=True)
    many = len(results)
    scatter = [abs(one["true"]["thinnest"] - one["true again"]["thinnest"]) for one in results]
    print(
        f"volume within {VOLUME_GOAL:.0%}: {sum(abs(r['volume']) <= VOLUME_GOAL for r in results)} "
        f"of {many}; thinnest patch within {GOAL}: {sum(within(r, 'true') for r in results)}, and "
        f"{sum(within(r, 'as made') for r in results)} of the plan in the true mesh; two searches "
        f"of one mesh: median {np.median(scatter):.3f} apart, at most {max(scatter):.3f}"
    )


if __name__ == "__main__":
    main()
