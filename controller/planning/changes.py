"""Compare changes of a casting by a full plan of each: what would make its thinnest place thicker.

The film spreads along a path of rho g h^2 t_gel/(3 mu0), so a mix half as thick acts like one that
takes twice as long to gel. A coat more makes every coat thinner, and its path shorter. A mounting
decides which spins are possible. At sharp edges surface tension draws the resin away.

Short trials on few cells cannot decide this: on a lighthouse they gained 0.05 of the mean wall with
a thinner mix, where full plans gained nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenwall.errors import EvenwallError
from evenwall.geometry.easing import eased
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import Casting, RigSpec, Vector3
from evenwall.numerics.film.statistics import NARROW_M, PATCH_M
from evenwall.planning import mounting
from evenwall.planning.context import COVER_MM, MOST_COATS, PlanningContext, check_neck
from evenwall.planning.limits import LEANS_DEG
from evenwall.planning.loading import check_reach
from evenwall.planning.make import Progress, Wish, choose, silent
from evenwall.planning.search import Found

Kind = Literal["as_planned", "coat_more", "thinner_mix", "thicker_mix", "eased", "mounted"]
Holds = Literal["ridge", "crease", "rim", "spins", "form"]
EASED_MM = 5.0  # radius to which sharp edges are eased
THINNER, THICKER = 0.5, 2.0  # factors of the mix's viscosity


@dataclass(frozen=True)
class Outcome:
    """Outcome of a full plan of one change, over the mean wall.

    thinnest, error: the thinnest patch and its error from the mesh. bound: the thinnest patch that
    any mixture of the coats tried could have. worst: on the worst day, not a number if none was
    computed. place_mm: the thinnest patch, in the mesh's frame. holds: see `what_holds`.
    """

    thinnest: float
    error: float
    bound: float
    worst: float
    coats: int
    place_mm: Vector3
    holds: Holds


@dataclass(frozen=True)
class Change:
    """One change and its outcome. casting: with the change, but for its shape.

    outcome: None where no plan of it can work, and `refused` then says why.
    """

    kind: Kind
    casting: Casting
    outcome: Outcome | None
    refused: str = ""


def gain(change: Outcome, given: Outcome) -> tuple[float, float]:
    """Return how much thicker the thinnest patch is than in the given plan, and the error of that.

    Both over the mean wall. The errors of the two meshes are taken as independent.
    """
    return change.thinnest - given.thinnest, math.hypot(change.error, given.error)


def compare(
    casting: Casting, rig: RigSpec, *, seed: int = 0, progress: Progress = silent
) -> tuple[Change, ...]:
    """Plan every change by itself: the casting as it is first, then the changes, the best first.

    Ctrl-C leaves out the changes that are not planned yet. Raises PlanError where the casting
    itself cannot be planned, and KeyboardInterrupt before it is.
    """
    cavity = load_cavity(casting)
    check_reach(casting, cavity, rig)
    check_neck(casting, cavity)
    count, _ = PlanningContext(casting, rig, cavity).first_batch()
    fixed = casting.model_copy(update={"coats": count})
    ways = [*_ways(fixed, cavity, count), *_mounted(fixed, cavity, rig, seed)]
    found = []
    for number, (kind, changed, shape) in enumerate(ways):

        def tell(part: float, words: str, number: int = number) -> None:
            which = f"plan {number + 1} of {len(ways)}"
            progress((number + part) / len(ways), f"{which}: {words}" if words else which)

        try:
            found.append(_planned(kind, changed, rig, shape, seed, tell))
        except KeyboardInterrupt:
            if not found:
                raise
            break
    progress(1.0, "done")
    first, *others = found
    others.sort(key=lambda one: -one.outcome.thinnest if one.outcome else 0.0)
    return (first, *others)


def _ways(casting: Casting, cavity: Cavity, count: int) -> Iterator[tuple[Kind, Casting, Cavity]]:
    yield "as_planned", casting, cavity
    if count < MOST_COATS and casting.wall_mm / (count + 1) >= COVER_MM:
        yield "coat_more", casting.model_copy(update={"coats": count + 1}), cavity
    sheet = casting.resin.sheet
    mixes: tuple[tuple[Kind, float], ...] = (("thinner_mix", THINNER), ("thicker_mix", THICKER))
    for kind, factor in mixes:
        other = sheet.model_copy(
            update={"mixed_viscosity_mPa_s": factor * sheet.mixed_viscosity_mPa_s}
        )
        resin = casting.resin.model_copy(update={"sheet": other})
        yield kind, casting.model_copy(update={"resin": resin}), cavity
    yield "eased", casting, eased(cavity, EASED_MM)


def _mounted(
    casting: Casting, cavity: Cavity, rig: RigSpec, seed: int
) -> list[tuple[Kind, Casting, Cavity]]:
    """Return the best other mounting of a leaning mouth, by short trials."""
    if cavity.mouth_lean_deg() < LEANS_DEG:
        return []
    others = [one for one in mounting.compare(casting, rig, seed=seed) if not one.given]
    return [
        ("mounted", turned, cavity.mounted(turned.mount))
        for turned in (mounting.mounted(casting, one) for one in others[:1])
    ]


def _planned(
    kind: Kind, casting: Casting, rig: RigSpec, cavity: Cavity, seed: int, tell: Progress
) -> Change:
    try:
        context = PlanningContext(casting, rig, cavity)
        count, batch = context.first_batch()
        found = choose(context, context.rests(batch, count), Wish(seed, None, tell, None, None))
        if found.interrupted:
            raise KeyboardInterrupt
        return Change(kind, casting, outcome_of(found, cavity, count))
    except EvenwallError as why:
        if kind == "as_planned":
            raise
        return Change(kind, casting, None, str(why))


def outcome_of(found: Found, cavity: Cavity, coats: int) -> Outcome:
    """Return the outcome of a whole search. Raises ValueError without a wall."""
    grid, walls = found.grid, found.statistics
    if grid is None or walls is None or found.mesh_error is None:
        raise ValueError("found has no wall")
    x, y, z = (
        float(part)
        for part in cavity.rotation.T @ grid.mesh.points[walls.min_cell] * 1e3 + cavity.crossing_mm
    )
    return Outcome(
        walls.min / walls.mean,
        found.mesh_error,
        math.nan if found.bound is None else found.bound,
        math.nan if found.worst_min is None else found.worst_min,
        coats,
        (x, y, z),
        what_holds(found),
    )


def what_holds(found: Found) -> Holds:
    """Return what holds the thinnest patch back.

    ridge, crease: the skin turns there within five capillary lengths (`NARROW_M`), so surface
    tension draws the resin off it or into it. rim: it lies at the opening, where the film ends.
    spins: a mixture of the coats tried would leave more there, by more than the mesh's error. form:
    no mixture would, so form, mounting, coats or resin decide.
    """
    grid, walls = found.grid, found.statistics
    if grid is None or walls is None:
        raise ValueError("found has no wall")
    points, at = grid.mesh.points, walls.min_cell
    near = np.linalg.norm(points - points[at], axis=1) < PATCH_M
    turns = grid.mesh.curvature[near]
    if turns.min() < -1.0 / NARROW_M:
        return "ridge"
    if turns.max() > 1.0 / NARROW_M:
        return "crease"
    if grid.mesh.rim[near].any():
        return "rim"
    below = (found.bound or 0.0) - walls.min / walls.mean
    return "spins" if below > (found.mesh_error or 0.0) else "form"
