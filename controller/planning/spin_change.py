"""Change of the rest of a coat's spin that answers the day: early gel, late start, the weights,
and the coats before it.

The film responds almost linearly to small changes of a spin's biases and of the times of its legs.
So each number of the rest is changed a little, for an early, an expected and a late gel. A linear
programme finds the change that makes the thinnest patch thickest, and thinner for none of these
gels. The films of that change, on another mesh, decide whether it is offered.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from evenwall.errors import InputError, NotConverged
from evenwall.geometry.film_mesh import film_mesh, mesh_mm_for, widest_mm
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import CoatPlan, CoatUnderWay, Plan, RigSpec, SpinChange
from evenwall.numerics.film import Coat, FilmMesh, Fluid, WallWeights
from evenwall.numerics.spin import Leg
from evenwall.planning.odds import Scatter
from evenwall.planning.recipe import Recipe
from evenwall.planning.rest_of_spin import Number, Rest, first, rest_of, turning
from evenwall.planning.wall import check_films, default_mesh_mm, film_inputs, films_by_opening
from evenwall.planning.walls import FINE

Array = NDArray[np.float64]
Why = Literal["gel_early", "gel_late", "began_late", "more_resin", "less_resin", "other"]

# Cells of the mesh on which a change is found, and of the one that decides. A globe's two coats
# that gelled 15 % early gained 0.01 of the mean wall and nothing on 600 and 850 cells, because the
# rim is coarse there, and 0.05 and 0.08 on 1000 and 1400.
CELLS, OTHER_CELLS = 1000, 1400
# Share of the expected gel time that a change needs to act: less hardly moves the film.
LEAST_LEFT = 0.1
NUDGE, TRUST = 0.35, 1.0  # steps of `space.SPACE`: of the slopes, and of a change at most
PARTS = (1.0, 0.5)  # of each change found, tried on the other mesh
# Weights of an early, an expected and a late gel at 5, 50 and 95 % (Pearson and Tukey 1965,
# Biometrika 52:533, from memory).
GEL_WEIGHTS = (0.185, 0.63, 0.185)
# Least gain at the expected gel, of the planned mean: below it the difference of two meshes is as
# large (our choice).
LEAST_GAIN = 0.01


@dataclass(frozen=True, eq=False)
class Ground:
    """One mesh with what lies on it besides the coat under way.

    rest_m (n,): the other coats, as laid and as planned, cured; promised: the thinnest patch as
    planned, m, or nan where it was not computed. cured: share of the resin that is left when cured.
    """

    mesh: FilmMesh
    weights: WallWeights
    rest_m: Array
    promised: float
    cured: float

    def films(self, state: str, lanes: Sequence[Coat]) -> Array:
        """Return the cured films of lanes of the coat under way, (lanes, n), m. Raises as
        `wall.check_films`."""
        return _films(self.mesh, lanes, [state] * len(lanes)) * self.cured

    def thinnest(self, films_m: Array) -> Array:
        """Return the thinnest patch of the finished wall for films (..., n) of the coat."""
        flat = (films_m + self.rest_m).reshape(-1, self.mesh.cells)
        return np.asarray(self.weights.patch_means(flat.T).min(axis=0).reshape(films_m.shape[:-1]))


def answer(
    planned: Plan,
    laid: Plan,
    lost: tuple[int, ...],
    now: CoatUnderWay,
    spec: RigSpec,
    *,
    from_profile_s: float,
) -> SpinChange | None:
    """Return the best change of the rest of this coat's spin, or None if none is worth it.

    planned: the run's plan. laid: the same with its coats as weighed and turned so far
    (`history.laid.as_laid`). lost: numbers of coats that formed no wall. from_profile_s: the
    earliest time of the profile at which a change may begin. Films on a mesh on which a change was
    not chosen decide: it is offered if the thinnest patch becomes thicker by LEAST_GAIN of the
    planned mean at the expected gel, and thinner at neither end of the gel's band. None also where
    the recipe does not describe the planned ramps: a spin that is replayed, or changed before.

    Raises InputError, and NotConverged and OutsideValidity where a film is impossible.
    """
    if planned.wall.min_mm is None:
        raise InputError("plan", planned.casting.name, "has no computed wall to begin from")
    index = now.coat - 1
    way = _way_on(planned, laid, now, spec, from_profile_s)
    if way is None:
        return None
    numbers = way.rest.numbers(TRUST)
    if not numbers:
        return None
    cavity, state = load_cavity(planned.casting), planned.coats[index].opening_state
    chosen_on = _ground(cavity, CELLS, planned, laid, lost, index, whole=False)
    tried = [
        way.rest.changed(numbers, part * steps)
        for steps in _best(chosen_on, way, state, numbers)
        for part in PARTS
    ]
    told_on = _ground(cavity, OTHER_CELLS, planned, laid, lost, index, whole=True)
    lanes = [*way.lanes(None), *(lane for legs in tried for lane in way.lanes(legs))]
    films_m = told_on.films(state, lanes).reshape(1 + len(tried), 3, -1)
    mm = planned.wall.min_mm / told_on.promised * told_on.thinnest(films_m)
    gains = mm[1:] - mm[0]
    enough = (gains.min(axis=1) >= 0.0) & (gains[:, 1] >= LEAST_GAIN * planned.wall.mean_mm)
    if not enough.any():
        return None
    best = int(np.argmax(np.where(enough, gains @ np.array(GEL_WEIGHTS), -np.inf)))
    return SpinChange(
        coat=now.coat,
        from_profile_s=from_profile_s,
        ramps=way.rest.ramps(tried[best]),
        why=why(planned.coats[index], laid.coats[index], now),
        going_on_mm=float(mm[0, 1]),
        changed_mm=float(mm[1 + best, 1]),
        gain_low_mm=float(gains[best].min()),
    )


def why(planned: CoatPlan, laid: CoatPlan, now: CoatUnderWay) -> Why:
    """Return what differs most from the plan for this coat, in standard deviations of a careful
    shop (`planning.odds.Scatter`); "other" where all differ by less than half of one."""
    scatter = Scatter()
    begins_s = laid.clock.spin_from_s if now.begins_s is None else now.begins_s
    gel = math.log(now.gel_s[1] / planned.clock.gel_expected_s) / scatter.batch
    late = (begins_s - planned.clock.spin_from_s) / scatter.start_s
    pour = math.log(laid.in_mould_g / planned.in_mould_g) / scatter.pour
    found: dict[Why, float] = {
        "gel_early": -gel,
        "gel_late": gel,
        "began_late": late,
        "more_resin": pour,
        "less_resin": -pour,
        "other": 0.5,
    }
    return max(found, key=lambda code: found[code])


# --- The coat's films -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class WayOn:
    """The coat under way with the rest of its spin open.

    coat: as laid; before (k, 3): its ramps up to the change; slower: of an early, an expected and a
    late gel, the factor on the times of its liquid; begins_s: its start of turning.
    """

    coat: Coat
    liquid: Fluid
    before: Array
    rest: Rest
    slower: tuple[float, ...]
    begins_s: float

    def lanes(self, legs: Sequence[Leg] | None) -> list[Coat]:
        """Return the coat for each gel, with these legs from the change on, or the planned ones."""
        rows, _ = self.rest.rows(legs)
        turned = np.vstack([self.before, rows])
        spin = replace(
            self.coat.spin,
            start_s=self.begins_s,
            duration_s=turned[:, 0],
            major_rad_s=turned[:, 1],
            minor_rad_s=turned[:, 2],
        )
        return [
            replace(
                self.coat,
                spin=spin,
                fluid=replace(self.liquid, times_s=self.liquid.times_s * slower),
            )
            for slower in self.slower
        ]


def _way_on(
    planned: Plan, laid: Plan, now: CoatUnderWay, spec: RigSpec, from_s: float
) -> WayOn | None:
    index = now.coat - 1
    coat, so_far = planned.coats[index], laid.coats[index]
    recipes = planned.details.get("recipes", ())
    if index >= len(recipes):
        return None
    begins_s = so_far.clock.spin_from_s if now.begins_s is None else now.begins_s
    rows, meant = turning(so_far), turning(coat)
    lag_s = _last_change_s(rows) - _last_change_s(meant)
    gel_s = now.gel_s[1] - begins_s - lag_s  # of the profile
    if from_s + lag_s < 0.0 or gel_s - from_s < LEAST_LEFT * coat.clock.gel_expected_s:
        return None
    opening = planned.geometry.opening.direction
    recipe = Recipe(**recipes[index])
    rest = rest_of(coat, recipe, opening, spec, from_s=from_s, gel_s=gel_s)
    if rest is None:
        return None
    expected_s = coat.clock.gel_expected_s
    return WayOn(
        film_inputs(laid)[index],
        film_inputs(planned)[index].fluid,
        first(rows, from_s + lag_s),
        rest,
        tuple(gel / expected_s for gel in now.gel_s),
        begins_s,
    )


def _last_change_s(rows: Array) -> float:
    """Return the time of the last change of speed: the same moment of the profile in the planned
    ramps and in those turned so far and to come, whatever pauses lie before it."""
    speeds = np.vstack([np.zeros(2), rows[:, 1:]])
    changes = np.flatnonzero(np.abs(np.diff(speeds, axis=0)).max(axis=1) > 1e-9)
    return float(rows[: changes[-1] + 1, 0].sum()) if len(changes) else 0.0


def _films(mesh: FilmMesh, lanes: Sequence[Coat], states: Sequence[str]) -> Array:
    made = films_by_opening(mesh, lanes, states, numerics=FINE)
    liquid_m = np.array([one.film_m for one in made])
    spilt_m3, poured_m3 = [one.spilt_m3 for one in made], [one.volume_m3 for one in lanes]
    check_films(mesh, liquid_m, np.array(spilt_m3), np.array(poured_m3))
    return liquid_m


def _ground(
    cavity: Cavity,
    cells: int,
    planned: Plan,
    laid: Plan,
    lost: tuple[int, ...],
    index: int,
    *,
    whole: bool,
) -> Ground:
    """Return a mesh of about this many cells with the other coats on it. whole: also compute the
    coat under way as planned, for the promised thinnest patch."""
    wide_mm = mesh_mm_for(cavity.area_cm2, cells)
    mesh = film_mesh(cavity, min(max(default_mesh_mm(cavity), wide_mm), widest_mm(cavity)))
    as_meant, before = film_inputs(planned), film_inputs(laid)[:index]
    meant = [k for k in range(len(as_meant)) if whole or k > index]
    cured = planned.casting.resin.sheet.cured_share
    rest_m, promised = np.zeros(mesh.cells), math.nan
    weights = WallWeights.of(mesh)
    if before or meant:
        states = [planned.coats[k].opening_state for k in (*range(index), *meant)]
        films_m = cured * _films(mesh, [*before, *(as_meant[k] for k in meant)], states)
        counts = [float(coat.coat not in lost) for coat in laid.coats[:index]]
        later = [float(k > index) for k in meant]
        rest_m = np.array([*counts, *later]) @ films_m
        if whole:
            promised = weights.statistics(films_m[index:].sum(axis=0)).min
    return Ground(mesh, weights, rest_m, promised, cured)


# --- The change -----------------------------------------------------------------------------------


def _best(ground: Ground, way: WayOn, state: str, numbers: Sequence[Number]) -> list[Array]:
    """Return the best changes of the numbers, in steps, by the slopes of the films on this mesh: of
    all numbers, and of the biases alone. To times the film responds less linearly."""
    nudges = np.array(
        [min(NUDGE, o.high) if o.high >= -o.low else max(-NUDGE, o.low) for o in numbers]
    )
    lanes = way.lanes(None)
    for moved in np.diag(nudges):
        lanes += way.lanes(way.rest.changed(numbers, moved))
    films_m = ground.films(state, lanes).reshape(1 + len(numbers), 3, -1)
    mean = float(ground.weights.area @ (films_m[0, 1] + ground.rest_m) / ground.mesh.total_area)
    slopes = (films_m[1:] - films_m[0]) / nudges[:, None, None] / mean
    patches = ground.weights.patch_means(((films_m[0] + ground.rest_m) / mean).T).T
    per_patch = np.array([ground.weights.patch_means(one.T).T for one in slopes])
    bounds = [(one.low, one.high) for one in numbers]
    biases = [b if n.what == "bias" else (0.0, 0.0) for b, n in zip(bounds, numbers, strict=True)]
    ways = [bounds] if biases == bounds else [bounds, biases]
    return [best_steps(patches, per_patch, some) for some in ways]


def best_steps(patches: Array, slopes: Array, bounds: Sequence[tuple[float, float]]) -> Array:
    """Return the steps (n,) within bounds that make the thinnest patches thickest.

    patches (gels, m): patches of the wall for each gel. slopes (n, gels, m): the effect of a step
    of each number on them. The thinnest patch of no gel becomes thinner; their sum with GEL_WEIGHTS
    is largest. Raises NotConverged.
    """
    count, gels, many = slopes.shape
    rows = []
    for gel in range(gels):
        level = np.zeros((many, gels))
        level[:, gel] = 1.0
        rows.append(sparse.csr_array(np.hstack([-slopes[:, gel].T, level])))
    low, high = np.array(bounds).T
    found = milp(  # without integers: HiGHS's linear programme
        np.array([*np.zeros(count), *(-np.array(GEL_WEIGHTS))]),
        constraints=LinearConstraint(sparse.vstack(rows), -np.inf, patches.ravel()),
        bounds=Bounds(
            np.concatenate([low, patches.min(axis=1)]),
            np.concatenate([high, np.full(gels, np.inf)]),
        ),
    )
    if found.x is None:
        raise NotConverged(f"a change of the spin ({found.message})", math.nan, 0)
    return np.asarray(found.x[:count])
