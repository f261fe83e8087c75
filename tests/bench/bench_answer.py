"""Change the rest of each coat's spin by what the day has brought: what it gains in blind worlds.

Each world has hidden batches, hands, pours, heat and frame (simulation/blind). The same draws are
cast with the planned spin and with the changes that `planning.spin_change` offers for each coat in
turn. It is told what a run would know: when the coat began to turn, its weights, an estimate of its
gel with an error, and the coats before it, whose gels are known within 3 %. Figures of a wall are
resin volume per area over its own mean.

GEL_SD is the standard deviation of the gel monitor's own estimate, in the logarithm, before it is
joined with what the plan expects; 0 is the true gel. ASK is the share of the time from the start of
the spin to the expected gel at which the change takes over. COATS are those that may change, all if
it is not given. TUNE=1 takes the seeds on which the constants were set. The results of each world
are kept in build/answer; FRESH=1 begins again.

    python -m tests.bench answer                                     two forms, 20 worlds
    FORMS=globe DRAWS=4 BUDGET=60 SPACING=10 GEL_SD=0 python -m tests.bench answer
"""

from __future__ import annotations

import math
import os
import pickle
import random
import resource
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from evenwall.geometry.mould import load_cavity
from evenwall.model import CoatPlan, CoatUnderWay, Plan, Ramp, SpinChange
from evenwall.planning import spin_change
from evenwall.planning.rest_of_spin import first, turning
from evenwall.simulation.blind.draws import Draw, draw
from evenwall.simulation.blind.gauging import Truth
from evenwall.simulation.blind.world import BlindWorld, Laid, as_planned, planned_turning
from evenwall.units import percent, rpm
from tests.bench.bench_blind import ROOT, kept_plan

KEPT = ROOT / "build" / "answer"
TUNED_SEED, FIRST_SEED = 51_000, 52_000  # these seeds serve this bench alone
WORLDS = 8  # whose castings share a batch of the film
# Standard deviations of the logarithm of a gel: what a plan expects (batch and heat), and a gel
# that was called or touched.
EXPECTED_SD, CALLED_SD = 0.10, 0.03
BAND = 1.645  # standard deviations to either end of a 90 % band
EARLIEST_S = 45.0  # of the profile: what the board holds, and a computation


@dataclass(frozen=True)
class World:
    """Results of one world: both walls, and each coat's change."""

    seed: int
    planned: Truth
    changed: Truth
    offered: tuple[SpinChange | None, ...]


@dataclass
class Cost:
    """Cost of the answers: how many, film-steps, and processor seconds."""

    answers: int = 0
    steps: int = 0
    cpu_s: float = 0.0


def estimated(planned: CoatPlan, gel_s: float, sd: float, luck: random.Random) -> tuple[float, ...]:
    """Return the gel as the controller would know it, low, expected and high: an estimate with an
    error, joined with what the plan expects, each by its precision."""
    trusted = EXPECTED_SD**2 / (EXPECTED_SD**2 + sd**2)
    off = math.log(gel_s / planned.clock.gel_expected_s) + luck.gauss(0.0, 1.0) * sd
    best_s = planned.clock.gel_expected_s * math.exp(trusted * off)
    spread = math.exp(BAND * max(CALLED_SD, math.sqrt(trusted) * sd))
    return best_s / spread, best_s, best_s * spread


def laid_coat(planned: CoatPlan, one: Laid, ramps: tuple[Ramp, ...], gel_s: float) -> CoatPlan:
    """Return the coat as a run records it: start, ramps, grams and pace."""
    slower = gel_s / planned.clock.gel_expected_s
    left_g = max(0.0, planned.mix_g - one.poured_g)
    stays_g = planned.mix_g - left_g - planned.spill_g
    return planned.model_copy(
        update={
            "clock": planned.clock.model_copy(update={"spin_from_s": one.from_s}),
            "ramps": ramps,
            "viscosity": tuple((time_s * slower, mu) for time_s, mu in planned.viscosity),
            "cup_left_g": left_g,
            "lid_g": stays_g * (1.0 - planned.wall_share),
        }
    )


def with_change(coat: CoatPlan, change: SpinChange | None) -> tuple[Ramp, ...]:
    """Return the ramps of a coat with a change of its rest."""
    if change is None:
        return coat.ramps
    rows = first(turning(coat), change.from_profile_s)
    before = tuple(
        Ramp(leg="before", duration_s=d, major_rpm=rpm(a), minor_rpm=rpm(b)) for d, a, b in rows
    )
    return (*before, *change.ramps)


def may_change(coat: int) -> bool:
    """Return whether this coat is asked about."""
    wanted = os.environ.get("COATS", "").split()
    return not wanted or str(coat) in wanted


def changes(
    plan: Plan, laid: list[Laid], gels_s: list[float], sd: float, ask: float, seed: int
) -> tuple[SpinChange | None, ...]:
    """Return the change offered for each coat in turn."""
    luck = random.Random(f"answer/{seed}")
    offered: list[SpinChange | None] = []
    coats = list(plan.coats)
    for k, planned in enumerate(plan.coats):
        gel_s = estimated(planned, gels_s[k], sd, luck)
        coats[k] = laid_coat(planned, laid[k], planned.ramps, planned.clock.gel_expected_s)
        now = CoatUnderWay(
            coat=k + 1, gel_s=(gel_s[0], gel_s[1], gel_s[2]), begins_s=None, at_s=0.0
        )
        from_s = max(EARLIEST_S, ask * (gel_s[1] - laid[k].from_s))
        so_far = plan.model_copy(update={"coats": tuple(coats)})
        if not may_change(k + 1):
            offered.append(None)
        else:
            offered.append(
                spin_change.answer(plan, so_far, (), now, plan.rig, from_profile_s=from_s)
            )
        called_s = gels_s[k] * math.exp(CALLED_SD * luck.gauss(0.0, 1.0))
        coats[k] = laid_coat(planned, laid[k], with_change(planned, offered[k]), called_s)
    return tuple(offered)


def turned(plan: Plan, luck: Draw, offered: tuple[SpinChange | None, ...]) -> list[Laid]:
    """Return the coats of a casting with these changes."""
    found = []
    for coat, one, change in zip(plan.coats, as_planned(plan, luck), offered, strict=True):
        other = coat.model_copy(update={"ramps": with_change(coat, change)})
        late_s = luck.hands_s[coat.coat - 1]
        found.append(replace(one, turning=planned_turning(other, late_s)))
    return found


def gels_of(plan: Plan, world: BlindWorld, seeds: range) -> list[list[float]]:
    """Return the gels of each world's coats, s after their parts met."""
    lucks = [draw(seed, len(plan.coats)) for seed in seeds]
    found = world.gels_s(lucks, [as_planned(plan, luck) for luck in lucks])
    return [[float(gel) for gel in gels] for gels in found]


def worlds_of(
    plan: Plan, world: BlindWorld, seeds: list[int], offered: list[tuple[SpinChange | None, ...]]
) -> list[World]:
    """Cast these worlds both ways. Worlds without a change are cast once."""
    lucks = [draw(seed, len(plan.coats)) for seed in seeds]
    some = [d for d in range(len(seeds)) if any(offered[d])]
    made = world.cast(
        [*lucks, *(lucks[d] for d in some)],
        [
            *(as_planned(plan, luck) for luck in lucks),
            *(turned(plan, lucks[d], offered[d]) for d in some),
        ],
    )
    plain = [truth for _, truth in made[: len(seeds)]]
    other = list(plain)
    for d, (_, truth) in zip(some, made[len(seeds) :], strict=True):
        other[d] = truth
    return [World(seeds[d], plain[d], other[d], offered[d]) for d in range(len(seeds))]


def counting(cost: Cost) -> None:
    """Count the films of all answers from here on."""
    flow = spin_change.films_by_opening

    def counted(*args, **more):  # type: ignore[no-untyped-def]
        made = flow(*args, **more)
        cost.steps += sum(one.steps for one in made)
        return made

    spin_change.films_by_opening = counted


def row(name: str, worlds: list[World]) -> str:
    """Return the form's line of the table."""
    both = [
        np.array([one.liquid_min_mm / one.liquid_mean_mm for one in some])
        for some in ([w.planned for w in worlds], [w.changed for w in worlds])
    ]
    gain = both[1] - both[0]
    asked = [one for world in worlds for one in world.offered]
    given = [one for one in asked if one is not None]
    told = np.mean([one.changed_mm - one.going_on_mm for one in given]) if given else 0.0
    cells = [f"{np.median(one):.3f}, {np.percentile(one, 10):.3f}" for one in both]
    better = np.mean(gain[gain != 0.0] > 0.0) if (gain != 0.0).any() else 0.0
    return (
        f"| {name}, {len(worlds)} | {cells[0]} | {cells[1]} | {np.mean(gain):+.4f} | "
        f"{percent(better)} | {len(given)} of {len(asked)} | {told:.2f} mm |"
    )


HEAD = (
    "| form, worlds | planned: median, 10th | changed | mean gain | better | offered | foretold |",
    "| --- | --- | --- | --- | --- | --- | --- |",
)


def kept(path: Path) -> list[Any]:
    """Return the results in this file, or none."""
    if os.environ.get("FRESH") or not path.exists():
        return []
    found: list[Any] = pickle.loads(path.read_bytes())
    return found


def form(name: str, draws: int, spacing_mm: float, sd: float, ask: float) -> list[World]:
    """Return the worlds of one form. Answers are kept one by one, castings in batches."""
    budget = os.environ.get("BUDGET")
    begin = TUNED_SEED if os.environ.get("TUNE") else FIRST_SEED
    plan = kept_plan(name, float(budget) if budget else None)
    world = BlindWorld(plan, load_cavity(plan.casting), spacing_mm=spacing_mm)
    KEPT.mkdir(parents=True, exist_ok=True)
    path = KEPT / f"{name}{os.environ.get('COATS', '')}-{budget}-{sd:g}-{ask:g}-{begin}.pickle"
    offered, cost = kept(path), Cost()
    counting(cost)
    known = path.with_name(f"gels-{path.name}")
    gels_s = kept(known)
    if len(gels_s) < draws:
        gels_s = gels_of(plan, world, range(begin, begin + draws))
        known.write_bytes(pickle.dumps(gels_s))
    for seed in range(begin + len(offered), begin + draws):
        cpu_s = process_time_s()
        laid = as_planned(plan, draw(seed, len(plan.coats)))
        offered.append(changes(plan, laid, gels_s[seed - begin], sd, ask, seed))
        path.write_bytes(pickle.dumps(offered))
        cost.cpu_s += process_time_s() - cpu_s
        cost.answers += sum(may_change(k + 1) for k in range(len(plan.coats)))
        told = [o and round(o.changed_mm - o.going_on_mm, 3) for o in offered[-1]]
        print(name, seed, told, cost, flush=True)
    path = path.with_name(f"cast-{spacing_mm:g}-{path.name}")
    found = kept(path)
    while len(found) < draws:
        some = range(len(found), min(len(found) + WORLDS, draws))
        found += worlds_of(plan, world, [begin + k for k in some], [offered[k] for k in some])
        path.write_bytes(pickle.dumps(found))
        print(row(name, found), flush=True)
    return found[:draws]


def process_time_s() -> float:
    """Return the processor time of this process and its threads."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def main() -> None:
    draws, spacing_mm = int(os.environ.get("DRAWS", "20")), float(os.environ.get("SPACING", "8"))
    sd, ask = float(os.environ.get("GEL_SD", "0.12")), float(os.environ.get("ASK", "0.25"))
    names = os.environ.get("FORMS", "globe lighthouse").split()
    lines = [row(name, form(name, draws, spacing_mm, sd, ask)) for name in names]
    print(*HEAD, *lines, sep="\n")


if __name__ == "__main__":
    main()
