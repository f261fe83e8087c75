"""Learn from measured walls in blind worlds: how far the third casting of a mould and resin is from
what was predicted, with the lessons of the first two and without them.

Each world has a hidden resin, room and frame (simulation/blind). Three castings are made in it with
one spin. Batches, pours, hands and waits differ from casting to casting. The maker gets a weight,
the grams on the lid and a dozen gauge readings. The priors are those of the planner's odds; nothing
was set on these seeds.

    python -m tests.bench lessons                                  two forms, 20 worlds
    FORMS=globe DRAWS=5 SPACING=14 python -m tests.bench lessons
"""

from __future__ import annotations

import os
import pickle
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from evenwall.geometry.mould import load_cavity
from evenwall.model import Plan
from evenwall.numerics.film import Coat
from evenwall.planning.lessons import Predicted, corrected, learn, predicted_wall
from evenwall.planning.measured_wall import coarse_films, gauge_excess_m, read_wall, wall_model
from evenwall.planning.wall import film_inputs
from evenwall.planning.wall_rows import Found, Gauged, WallSaid
from evenwall.simulation.blind.draws import Draw, draw
from evenwall.simulation.blind.gauging import Measured, Truth
from evenwall.simulation.blind.world import BlindWorld, Laid, as_planned
from tests.bench.bench_blind import ROOT, kept_plan

Floats = npt.NDArray[np.float64]

KEPT = ROOT / "build" / "lessons"
FIRST_SEED = 31_000  # these seeds serve this bench alone
CASTINGS = 3
RIM_M = 12e-3
WORLDS = 5  # whose castings share batches of the film


@dataclass(frozen=True, eq=False)
class Cast:
    """One blind casting: how it was laid, when each coat gelled, and what came out."""

    laid: list[Laid]
    gels_s: Floats
    measured: Measured
    truth: Truth


def world_of(seed: int, casting: int, coats: int) -> Draw:
    """Return the draw of one casting: its resin, mould and frame are those of the world, its
    batches, hands, waits and pours are its own."""
    world, own = draw(seed, coats), draw(f"{seed}/{casting}", coats)
    return replace(
        world,
        seed=own.seed,
        batch=own.batch,
        hands_s=own.hands_s,
        waits_s=own.waits_s,
        pour=own.pour,
    )


def castings(name: str, plan: Plan, draws: int, spacing_mm: float) -> list[list[Cast]]:
    """Cast the plan three times in each world, or read the castings again.

    They are kept after every few worlds.
    """
    KEPT.mkdir(parents=True, exist_ok=True)
    path = KEPT / f"{name}-{spacing_mm:g}.pickle"
    found: list[list[Cast]] = pickle.loads(path.read_bytes()) if path.exists() else []
    world = BlindWorld(plan, load_cavity(plan.casting), spacing_mm=spacing_mm)
    while len(found) < draws:
        some = range(len(found), min(len(found) + WORLDS, draws))
        which = [(d, k) for d in some for k in range(CASTINGS)]
        lucks = [world_of(FIRST_SEED + d, k, len(plan.coats)) for d, k in which]
        laid = [as_planned(plan, luck) for luck in lucks]
        made = world.cast(lucks, laid)
        each = [Cast(laid[i], world.gel_s[i], *made[i]) for i in range(len(which))]
        found += [each[k : k + CASTINGS] for k in range(0, len(each), CASTINGS)]
        path.write_bytes(pickle.dumps(found))
        print(f"\n{name}: {len(found)} of {draws} worlds", flush=True)
    return found[:draws]


# --- Predicted and realised -----------------------------------------------------------------------


FIGURES = ("mean", "rim", "thinnest", "gauges, rms")
WAYS = ("nothing", "figures alone", "figures and places", "and the gels told")


def found_of(cast: Cast, rim_m: Floats, gels: bool) -> Found:
    """Return the maker's measures; readings within 12 mm of the opening are those of the rim."""
    rim, spots = [], []
    for one in cast.measured.readings:
        away = np.linalg.norm(rim_m - np.array(one.at_mm) * 1e-3, axis=1).min()
        if away < RIM_M:
            rim.append(one.gauge_mm)
        else:
            spots.append(Gauged(one.gauge_mm, point=(one.high_mm, one.side_deg)))
    told = tuple(float(gel) for gel in cast.gels_s) if gels else ()
    weight_g, lid_g = cast.measured.weight_g, cast.measured.lid_g
    return Found(weight_g, lid_g or None, tuple(rim), tuple(spots), told)


def as_laid(plan: Plan, cast: Cast, told: bool) -> Plan:
    """Return the plan with the times at which this casting's coats began to turn; with its gels, if
    they were told."""
    coats = []
    for planned, laid, gel_s in zip(plan.coats, cast.laid, cast.gels_s, strict=True):
        clock = planned.clock.model_copy(update={"spin_from_s": laid.from_s})
        pace = float(gel_s) / planned.clock.gel_expected_s if told else 1.0
        viscosity = tuple((time_s * pace, mu) for time_s, mu in planned.viscosity)
        coats.append(planned.model_copy(update={"clock": clock, "viscosity": viscosity}))
    return plan.model_copy(update={"coats": tuple(coats)})


class Judge:
    """Predicted and realised figures of one form, with the slopes of its plan."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.model = plan, wall_model(plan)
        self.rim_m = self.model.mesh.points[self.model.mesh.rim]

    def said(self, casts: list[Cast], told: bool) -> list[WallSaid]:
        """Read the walls of these castings: films as each was laid, slopes of the plan."""
        laid = [as_laid(self.plan, one, told) for one in casts]
        lanes = [coat for one in laid for coat in film_inputs(one)]
        count = len(self.plan.coats)
        films_m = self.films(lanes).reshape(len(casts), count, -1)
        return [
            read_wall(
                one,
                found_of(cast, self.rim_m, told),
                str(k),
                replace(self.model, films_m=films_m[k]),
            )
            for k, (one, cast) in enumerate(zip(laid, casts, strict=True))
        ]

    def films(self, lanes: list[Coat]) -> Floats:
        """Return the cured films of many coats, in batches of few lanes."""
        count = len(self.plan.coats)
        parts = [
            coarse_films(self.plan, some, [j % count for j in range(len(some))])[1]
            for some in (lanes[k : k + 5 * count] for k in range(0, len(lanes), 5 * count))
        ]
        return np.concatenate(parts)

    def figures(self, wall_m: Floats, cast: Cast) -> Floats:
        """Return how far a predicted wall (n,) is from the casting, mm: mean, rim, thinnest patch
        and the root mean square over the gauge's places."""
        found, mesh = found_of(cast, self.rim_m, gels=False), self.model.mesh
        s = self.model.weights.statistics(wall_m)
        off = [1e3 * s.mean - cast.truth.mean_mm]
        wall = Predicted(self.model.weights, mesh.points, mesh.curvature, wall_m, wall_m)
        rim_mm = wall.expected().rim_mm
        off.append(rim_mm - float(np.mean(found.rim_mm)) if found.rim_mm else np.nan)
        off.append(1e3 * s.min - cast.truth.min_mm)
        at = cKDTree(mesh.points)
        places = []
        for one in cast.measured.readings:
            away, near = at.query(np.array(one.at_mm) * 1e-3, k=3)
            weights = 1.0 / np.maximum(away, 1e-4)
            film_m, curve = (
                float(v[near] @ weights / weights.sum()) for v in (wall_m, mesh.curvature)
            )
            places.append(1e3 * (film_m + gauge_excess_m(film_m, curve)) - one.gauge_mm)
        return np.abs([*off, float(np.sqrt(np.mean(np.square(places))))])

    def off(self, worlds: list[list[Cast]]) -> Floats:
        """Return the errors at each world's third casting, (ways, worlds, figures), mm."""
        firsts = [cast for world in worlds for cast in world[:2]]
        untold, told = (self.said(firsts, gels) for gels in (False, True))
        walls: list[list[Floats]] = [[], [], [], []]
        plain_m = self.model.films_m.sum(axis=0)
        learnt = [
            [learn(said[2 * d : 2 * d + 2]) for d in range(len(worlds))] for said in (untold, told)
        ]
        for way, lessons in ((2, learnt[0]), (3, learnt[1])):
            lanes = [c for one in lessons for c in corrected(self.plan, one.corrections)]
            films = self.films(lanes).reshape(len(worlds), len(self.plan.coats), -1).sum(axis=1)
            for film_m, one in zip(films, lessons, strict=True):
                walls[way].append(predicted_wall(self.model.mesh, film_m, one)[1])
                if way == 2:
                    alone = replace(one, local_pull=np.zeros(0))
                    walls[1].append(predicted_wall(self.model.mesh, film_m, alone)[1])
                    walls[0].append(plain_m)
        for one in learnt[0][:3]:
            print(f"  {one.corrections}, surprise {one.surprise:.2f}")
        return np.array(
            [
                [self.figures(wall, world[2]) for wall, world in zip(way, worlds, strict=True)]
                for way in walls
            ]
        )


def rows(name: str, plan: Plan, worlds: list[list[Cast]]) -> list[str]:
    """Return the table of a form: median and 90th percentile of each error, mm."""
    off = Judge(plan).off(worlds)
    found = [f"| {name}, {len(worlds)} worlds | {' | '.join(FIGURES)} |", "| --- " * 5 + "|"]
    for way, errors in zip(WAYS, off, strict=True):
        cells = []
        for k in range(len(FIGURES)):
            some = errors[:, k][np.isfinite(errors[:, k])]
            cells.append(
                f"{np.median(some):.2f}, {np.percentile(some, 90):.2f}" if len(some) else "-"
            )
        found.append(f"| {way} | {' | '.join(cells)} |")
    return found


def main() -> None:
    draws, spacing_mm = int(os.environ.get("DRAWS", "20")), float(os.environ.get("SPACING", "12"))
    for name in os.environ.get("FORMS", "globe lighthouse").split():
        plan = kept_plan(name, None)
        print(*rows(name, plan, castings(name, plan, draws, spacing_mm)), sep="\n", flush=True)


if __name__ == "__main__":
    main()
