"""Walls on photographed shapes, held against walls on the true meshes.

Ten forms are rendered under a known camera and lofted from their outlines. First the usual spins
of a first answer, with the grams that the photographed shape asks for, are turned in both: nothing
is searched, so what differs is the shape alone. Then each form is planned three times with the
same small search: on the photographed shape, on the true mesh, and on the true mesh with another
seed, which tells the search's own scatter. The plan of the photographed shape is turned in the
true mesh too: that wall is the one its maker gets.

Goals: volume within 3 %; the thinnest patch, over the mean wall, within 0.05 of the true mesh's.

    python -m tests.bench photographs             ten forms; ten minutes of a core, or more
    SEARCH=0 python -m tests.bench photographs    usual spins alone; two minutes
    FORMS="globe,rock" python -m tests.bench photographs

Results are kept in build/bench_photographs; FRESH=1 computes them again.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from evenwall.geometry.film_mesh import film_mesh, widest_mm
from evenwall.geometry.mould import load_cavity
from evenwall.geometry.shapes.shape import Shape
from evenwall.model import Casting, Mould, Plan, ShapeKnown, read_resin, read_rig
from evenwall.numerics.film import WallWeights
from evenwall.planning import make, make_plan
from evenwall.planning.effort import FULL
from evenwall.planning.wall import COARSER, film_coats, flow_coats
from evenwall.units import percent
from tests.bench.kept import ROOT, commit, kept
from tests.support.photographed import TEN, lofted, shot, skin_of

KEPT = ROOT / "build" / "bench_photographs"
RIG = read_rig(ROOT / "hardware" / "rigs" / "great.toml")
RESIN = read_resin(ROOT / "controller" / "samples" / "quick-clear.toml")
SMALL = replace(FULL, search_cells=600, rounds=1, lanes=16, shortlist=6, decide_cells=800)
GOAL, VOLUME_GOAL = 0.05, 0.03
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


def told(plan: Plan) -> dict[str, float]:
    """Return what a plan says of its wall: thinnest patch and its error, over the mean."""
    wall = plan.wall
    return {
        "thinnest": (wall.min_mm or np.nan) / wall.mean_mm,
        "error": (wall.error_mm or np.nan) / wall.mean_mm,
    }


def lowest(plan: Plan, mesh_mm: float) -> dict[str, float]:
    """The wall of a plan's spins in its mould, on cells of this width."""
    mesh = film_mesh(load_cavity(plan.casting), mesh_mm)
    _, coats_m, _ = flow_coats(plan, film_coats(plan), mesh, threads=2)
    found = WallWeights.of(mesh).statistics(coats_m.sum(axis=0))
    return {"thinnest": found.min / found.mean, "mean_mm": 1e3 * found.mean}


@dataclass(frozen=True)
class Pair:
    """A form's photographed shape and its true mesh, as castings."""

    name: str
    views: int
    shape: Shape
    mesh: trimesh.Trimesh
    seen: Casting
    true: Casting

    def about(self) -> dict[str, Any]:
        """Errors of the shape, over the true figures."""
        return {
            "form": self.name,
            "photographs": self.views,
            "volume": self.shape.volume_cm3 / (abs(self.mesh.volume) / 1000.0) - 1.0,
            "skin": self.shape.area_cm2 / skin_of(self.mesh) - 1.0,
            "skin stated": self.shape.known.area,
            "commit": commit(),
        }


def paired(name: str, folder: Path) -> Pair:
    """Render, loft and write both meshes."""
    form, views = TEN[name]
    mesh = form()
    shape = lofted(shot(mesh, views, folder), float(np.ptp(mesh.vertices[:, 2])), folder)
    opened(mesh).export(folder / "true.ply")
    shape.mesh().export(folder / "seen.ply")
    true = casting(name, folder / "true.ply", None)
    seen = casting(name, folder / "seen.ply", shape)
    return Pair(name, views, shape, mesh, seen, true)


def usual(name: str) -> dict[str, Any]:
    """The first answer's spins in both."""
    with tempfile.TemporaryDirectory() as scratch:
        pair = paired(name, Path(scratch))
        plan = make_plan(pair.seen, RIG, time_budget_s=0.0)
        mesh_mm = widest_mm(load_cavity(pair.true)) / COARSER
        return pair.about() | {
            "usual in seen": lowest(plan, mesh_mm),
            "usual in true": lowest(turned_in(plan, pair.true), mesh_mm),
        }


def searched(name: str) -> dict[str, Any]:
    """A small search's plans."""
    with tempfile.TemporaryDirectory() as scratch:
        pair = paired(name, Path(scratch))
        plan = make_plan(pair.seen, RIG, seed=SEED)
        mesh_mm = plan.wall.mesh_mm or np.nan
        return pair.about() | {
            "seen": told(plan),
            "turned in seen": lowest(plan, mesh_mm),
            "turned in true": lowest(turned_in(plan, pair.true), mesh_mm),
            "true": told(make_plan(pair.true, RIG, seed=SEED)),
            "true again": told(make_plan(pair.true, RIG, seed=OTHER_SEED)),
        }


def apart(found: dict[str, Any], one: str, other: str) -> float:
    """Difference of two thinnest patches, over the mean wall."""
    return float(found[one]["thinnest"] - found[other]["thinnest"])


def row(found: dict[str, Any], first: str, second: str, *more: str) -> str:
    """One line of a table: the thinnest patches, how far the first two are apart, then others."""
    cells = [
        found["form"],
        found["photographs"],
        percent(found["volume"], 1, "+"),
        percent(found["skin"], 1, "+"),
        f"{found[first]['thinnest']:.3f}",
        f"{found[second]['thinnest']:.3f}",
        f"{apart(found, first, second):+.3f}",
    ]
    cells += [f"{found[one]['thinnest']:.3f}" for one in more]
    return "| " + " | ".join(map(str, cells)) + " |"


def summary(results: list[dict[str, Any]], words: str, one: str, other: str) -> str:
    """Say how many are within the goal."""
    off = np.abs([apart(found, one, other) for found in results])
    near = int((off <= GOAL).sum())
    middle = f"median {np.median(off):.3f}, most {off.max():.3f}"
    return f"{words}: {near} of {len(off)} within {GOAL}, {middle}"


def table(names: list[str], work: Callable[[str], dict[str, Any]], columns: tuple[str, ...]) -> Any:
    """Print a table, each line when it is computed; return the results."""
    first, second, *more = columns
    head = ("form", "photographs", "volume", "skin", first, second, "apart", *more)
    print("\n| " + " | ".join(head) + " |")
    print("| --- |" + " ---: |" * (len(head) - 1), flush=True)
    results = []
    for name in names:
        file = f"{name.replace(',', '').replace(' ', '-')}-{work.__name__}.json"
        results.append(kept(KEPT / file, partial(work, name)))
        print(row(results[-1], *columns), flush=True)
    return results


def main() -> None:
    """Print both tables."""
    make.FULL = SMALL  # type: ignore[misc]
    wanted = os.environ.get("FORMS", ",".join(n.replace(",", "") for n in TEN)).split(",")
    names = [name for name in TEN if name.replace(",", "") in wanted]
    plain = table(names, usual, ("usual in seen", "usual in true"))
    print(summary(plain, "usual spins in both", "usual in seen", "usual in true"))
    volumes = np.abs([found["volume"] for found in plain])
    near = int((volumes <= VOLUME_GOAL).sum())
    print(
        f"volume: {near} of {len(plain)} within {percent(VOLUME_GOAL)}, "
        f"most {percent(volumes.max(), 1)}"
    )
    if os.environ.get("SEARCH") == "0":
        return
    columns = ("seen", "true", "true again", "turned in seen", "turned in true")
    found = table(names, searched, columns)
    print(summary(found, "planned on the photographed shape and on the true mesh", "seen", "true"))
    print(summary(found, "one plan in both", "turned in seen", "turned in true"))
    print(summary(found, "planned twice on the true mesh", "true", "true again"))


if __name__ == "__main__":
    main()
