"""Prediction of the finished wall while a coat waits in the mould or turns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenwall.errors import InputError
from evenwall.geometry.film_mesh import film_mesh, mesh_mm_for, widest_mm
from evenwall.geometry.mould import load_cavity
from evenwall.model import CoatUnderWay, LiveWall, Plan
from evenwall.numerics.film import Coat, Fluid, WallWeights
from evenwall.planning.wall import check_films, default_mesh_mm, film_inputs, films_by_opening
from evenwall.planning.walls import FINE

# Enough cells for the ratio of two walls (our choice): the plan gives the absolute thickness. All
# films are lanes of one batch, which takes about 3 s of one core here for three coats of a globe.
CELLS = 700
HALF_MINUTE_S = 30.0


def foresee(planned: Plan, laid: Plan, lost: tuple[int, ...], now: CoatUnderWay) -> LiveWall:
    """Return the finished wall's thinnest patch if the coat under way goes on as it is.

    planned: the run's plan. laid: the same with its coats as weighed and turned so far
    (`history.laid.as_laid`). lost: numbers of coats that formed no wall. Both walls are computed on
    one coarse mesh; their ratio is then applied to the thinnest patch that the plan promises.
    Raises InputError, and NotConverged and OutsideValidity where a film is impossible
    (`wall.check_films`): the resin stands so deep that its wall cannot be computed.
    """
    promised_mm = planned.wall.min_mm
    if promised_mm is None:
        raise InputError("plan", planned.casting.name, "has no computed wall to begin from")
    cavity = load_cavity(planned.casting)
    mesh_mm = min(
        max(default_mesh_mm(cavity), mesh_mm_for(cavity.area_cm2, CELLS)), widest_mm(cavity)
    )
    mesh = film_mesh(cavity, mesh_mm)
    index, count = now.coat - 1, len(planned.coats)
    as_meant, so_far = film_inputs(planned), film_inputs(laid)
    liquid, expected_s = as_meant[index].fluid, planned.coats[index].clock.gel_expected_s
    starts = (now.begins_s, now.begins_s, now.begins_s, _later(now.begins_s))
    ways = [
        _way(so_far[index], liquid, gel_s / expected_s, start_s)
        for gel_s, start_s in zip((*now.gel_s, now.gel_s[1]), starts, strict=True)
    ][: 3 if now.begins_s is None else 4]
    lanes = [*as_meant, *so_far[:index], *ways]
    of = [*range(count), *range(index), *(index for _ in ways)]
    states = [planned.coats[k].opening_state for k in of]
    made = films_by_opening(mesh, lanes, states, numerics=FINE)
    liquid_m = np.array([one.film_m for one in made])
    spilt_m3, poured_m3 = [one.spilt_m3 for one in made], [one.volume_m3 for one in lanes]
    check_films(mesh, liquid_m, np.array(spilt_m3), np.array(poured_m3))
    found = liquid_m * planned.casting.resin.sheet.cured_share
    as_planned, before, going_on = np.split(found, [count, count + index])
    counts = np.array([coat.coat not in lost for coat in laid.coats[:index]], dtype=np.float64)
    rest = counts @ before + as_planned[index + 1 :].sum(axis=0)
    weights = WallWeights.of(mesh)
    promised = weights.statistics(as_planned.sum(axis=0)).min
    early, mid, late, *waited = (
        promised_mm * weights.statistics(one + rest).min / promised for one in going_on
    )
    return LiveWall(
        coat=now.coat,
        at_s=now.at_s,
        gel_s=now.gel_s[1],
        finished_mm=mid,
        low_mm=min(early, mid, late),
        high_mm=max(early, mid, late),
        planned_mm=promised_mm,
        half_minute_mm=max(0.0, mid - waited[0]) if waited else None,
    )


def _later(begins_s: float | None) -> float | None:
    return None if begins_s is None else begins_s + HALF_MINUTE_S


def _way(coat: Coat, liquid: Fluid, slower: float, begins_s: float | None) -> Coat:
    """Return the coat with its viscosity stretched in time and with another start of turning."""
    fluid = replace(liquid, times_s=liquid.times_s * slower)
    spin = coat.spin if begins_s is None else replace(coat.spin, start_s=begins_s)
    return replace(coat, fluid=fluid, spin=spin)
