"""A plan put together from the coats that were laid and chosen."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence
from typing import Any

from evenwall.errors import OutsideValidity, PlanError
from evenwall.geometry.mould import Cavity
from evenwall.model import (
    Casting,
    CoatClock,
    CoatPlan,
    Geometry,
    Plan,
    Ramp,
    Totals,
    WallSummary,
)
from evenwall.numerics.film import WallStatistics
from evenwall.planning.advice import balance, cautions, dewetting, moisture, shopping, vent
from evenwall.planning.batch import (
    CLOSE_UP_S,
    Batch,
    parts_g,
    turn_by_s,
    viscosity_table,
)
from evenwall.planning.coat_heat import heat_between_coats, heat_caution
from evenwall.planning.context import COVER_MM, PlanningContext
from evenwall.planning.limits import what_limits
from evenwall.planning.loading import check_load
from evenwall.planning.plan_words import (
    margin_caution,
    opening_caution,
    rim_is_not_the_wall,
    slump_caution,
    standing_caution,
    taught_notes,
)
from evenwall.planning.recipe import Recipe, profile, ramps, start_angles, time_of
from evenwall.planning.search import Found
from evenwall.planning.shape_error import shape_notes, with_shape_error
from evenwall.units import millimetres

WEIGH_MIN = 10.0  # preparing and weighing before the first parts meet


def assemble(
    context: PlanningContext, batch: Batch, found: Found, laid: tuple[CoatPlan, ...], seed: int
) -> Plan:
    """Put laid and chosen coats together: totals, load, cautions."""
    casting, rig, cavity = context.casting, context.rig, context.cavity
    area = cavity.area_cm2
    fresh = found.recipes[len(laid) :]
    times = context.times(batch)
    batches = [time_of(recipe, times) for recipe in fresh]
    profiles = [
        profile(recipe, one.clock, rig, context.opening)
        for recipe, one in zip(fresh, batches, strict=True)
    ]
    coats = laid + tuple(
        lay(context, one, found, k, recipe, ramps(ramped))
        for k, (one, recipe, ramped) in enumerate(
            zip(batches, fresh, profiles, strict=True), len(laid)
        )
    )
    hollow = sum(c.mix_g - c.cup_left_g - c.spill_g for c in coats)
    demould_min = demould_from_min([coat.clock for coat in coats], batches[-1].demould_s)
    # What is poured last has the least time to let its bubbles go.
    latest = max(batches, key=lambda one: one.clock.spin_from_s)
    said, bubble = cautions(casting, latest, context.mould_degC)
    said += slump_caution(context, batch)
    details: dict[str, Any] = {
        "load": check_load(casting, cavity, rig, profiles, hollow * 1e-3, batch.mix_g * 1e-3),
        "shop": {
            "dew_point_degC": moisture(casting, context.mould_degC)[0],
            "shopping": shopping(casting, batch, len(fresh)),
            "five_K_colder": colder(context, batches[0], len(coats)),
        },
        "clarity": {"smallest_escaping_bubble_mm": round(bubble, 3)},
        **_found_details(context, batch, found, len(coats)),
    }
    wall_mm = sum(c.mean_mm for c in coats)
    wall = with_shape_error(wall_summary(casting, wall_mm, found), casting)
    return Plan(
        casting=casting,
        rig=rig,
        seed=seed,
        geometry=Geometry(
            area_cm2=area,
            solid_volume_cm3=cavity.solid_volume_cm3,
            opening=cavity.opening,
            mesh_sha256=cavity.mesh_sha256,
        ),
        coats=coats,
        wall=wall,
        totals=_totals(casting, cavity, coats, demould_min),
        cautions=(*_cautions(context, coats[len(laid) :], not laid, batches, details), *said),
        notes=(
            *cavity.notes,
            *shape_notes(casting),
            *taught_notes(context.taught, found),
            rim_is_not_the_wall(hollow, area, wall_mm),
        ),
        limits=what_limits(cavity, found, wall, len(coats), COVER_MM),
        details=details,
    )


def _cautions(
    context: PlanningContext,
    fresh: tuple[CoatPlan, ...],
    bare: bool,
    batches: Sequence[Batch],
    details: dict[str, Any],
) -> tuple[str, ...]:
    """Return what to mind about the coats to lay: opening, vent, bare silicone, standing, hurry,
    balance and heat."""
    warmer_K = max(one.coat_peak_degC for one in batches) - context.shop_degC
    thin_mm, density = fresh[0].mean_mm, context.density_kg_m3
    return (
        *opening_caution(context, fresh),
        *([] if context.open else vent(warmer_K, context.shop_degC, thin_mm, density)),
        *(dewetting(context.casting, thin_mm) if bare else []),
        *standing_caution(fresh),
        *margin_caution(fresh),
        *balance(bool(details["load"].get("counterweights"))),
        *heat_caution(details["heat"]),
    )


def _found_details(
    context: PlanningContext, batch: Batch, found: Found, count: int
) -> dict[str, Any]:
    """Return what a plan keeps of its search, its recipes and its limits. count: of all coats."""
    casting = context.casting
    return {
        "coat_limits_mm": {"cover": COVER_MM, "hold": round(context.hold_mm(batch), 2)},
        "search": {**search_details(found), **baseline_coat(context, batch, found)},
        "recipes": [dataclasses.asdict(recipe) for recipe in found.recipes],
        "heat": heat_between_coats(
            casting, context.kin, batch, count, context.shop_degC, context.mould_degC
        ),
    }


def _totals(
    casting: Casting, cavity: Cavity, coats: Sequence[CoatPlan], demould_min: float
) -> Totals:
    """Return the resin, its cost and the time of the whole casting."""
    hollow = sum(c.mix_g - c.cup_left_g - c.spill_g for c in coats)
    solid = cavity.solid_volume_cm3 * casting.resin.sheet.mixed_density_g_cm3
    resin, price = sum(c.mix_g for c in coats), casting.resin.price_per_kg
    return Totals(
        resin_g=resin,
        hollow_g=hollow,
        solid_g=solid,
        saved_fraction=1.0 - hollow / solid,
        cost=None if price is None else resin * 1e-3 * price,
        elapsed_min=demould_min + WEIGH_MIN,
        demould_from_min=demould_min,
    )


def lay(
    context: PlanningContext,
    batch: Batch,
    found: Found,
    index: int,
    recipe: Recipe,
    turned: tuple[Ramp, ...],
) -> CoatPlan:
    """One coat as the plan's file has it. Of an open mould each loses grams of its own."""
    mean_mm, spill_g = batch.mean_mm, batch.spill_g
    if found.spilt_m3 is not None and found.grid is not None:
        k = index - (len(found.recipes) - len(found.coats_m))
        area = found.grid.weights.area
        mean_mm = millimetres(float(found.coats_m[k] @ area / area.sum()))
        spill_g = float(found.spilt_m3[k]) * context.density_kg_m3 * 1e3
    mix_g, left_g = context.weights_g(mean_mm, spill_g)
    part_a_g, part_b_g = parts_g(mix_g, context.casting.resin.sheet)
    return CoatPlan(
        coat=index + 1,
        mean_mm=mean_mm,
        mix_g=mix_g,
        part_a_g=part_a_g,
        part_b_g=part_b_g,
        cup_left_g=left_g,
        spill_g=spill_g,
        clock=turned_by(batch.clock, found.late),
        start_deg=start_angles(recipe, context.opening),
        ramps=turned,
        viscosity=viscosity_table(batch.history),
        opening_state="open" if context.open else "capped",
    )


def turned_by(clock: CoatClock, late: float) -> CoatClock:
    """With when turning must have begun, by a share of the gel."""
    return clock.model_copy(update={"turn_by_s": clock.spin_from_s + late * clock.gel_expected_s})


def late_of(clock: CoatClock) -> float:
    """The share again."""
    return (turn_by_s(clock) - clock.spin_from_s) / clock.gel_expected_s


def baseline_coat(context: PlanningContext, batch: Batch, found: Found) -> dict[str, Any]:
    """Turning of the compared 4:1, poured at once: the parts that differ from the plan's own."""
    if not found.baseline:
        return {}
    recipe = found.baseline_recipe
    turned = ramps(profile(recipe, batch.clock, context.rig, context.opening))
    coat = lay(context, batch, Found(), 0, recipe, turned)
    differs = {"clock", "start_deg", "ramps", "viscosity"}
    return {"baseline_coat": coat.model_dump(mode="json", include=differs)}


def colder(context: PlanningContext, batch: Batch, coats: int) -> dict[str, float] | str:
    """Changes in a shop 5 K colder."""
    try:
        cold = context.batch(batch.mean_mm, colder_K=5.0)
    except (PlanError, OutsideValidity) as error:
        return str(error)
    return {
        "gel_expected_min": round(cold.clock.gel_expected_s / 60.0, 1),
        "gel_later_min": round((cold.clock.gel_expected_s - batch.clock.gel_expected_s) / 60.0, 1),
        "pour_by_min": round(cold.clock.pour_by_s / 60.0, 1),
        "next_pour_from_min": round(cold.clock.next_pour_from_s / 60.0, 1),
        "demould_from_min": round(demould_from_min([cold.clock] * coats, cold.demould_s), 1),
    }


def wall_summary(casting: Casting, wall_mm: float, found: Found) -> WallSummary:
    """The computed wall in mm; without a film, the area average alone, and it says so."""
    if found.statistics is None or found.grid is None:
        return WallSummary(
            target_mm=casting.wall_mm,
            mean_mm=wall_mm,
            note="An area average: resin over skin. The wall from place to place is not computed.",
        )
    s = found.statistics
    scale = wall_mm / s.mean  # the film mesh's area is a hair smaller than the casting's
    return WallSummary(
        target_mm=casting.wall_mm,
        mean_mm=wall_mm,
        min_mm=s.min * scale,
        min_point_mm=s.min_point * scale,
        p05_mm=s.p05 * scale,
        p95_mm=s.p95 * scale,
        rim_mm=s.rim * scale,
        rim_min_mm=s.rim_min * scale,
        cv=s.cv,
        mesh_mm=found.grid.mesh_mm,
        mesh_error_mm=None if found.mesh_error is None else found.mesh_error * wall_mm,
        worst_case_min_mm=None if found.worst_min is None else found.worst_min * wall_mm,
        bound_min_mm=None if found.bound is None else found.bound * wall_mm,
        note="Thinnest patch of 12 mm, computed"
        + (
            f" on cells of {found.grid.mesh_mm:.1f} mm alone: what is smaller than they are is not "
            "seen, and may be thinner."
            if found.mesh_error is None
            else "; the error is judged from the meshes it was computed on."
        )
        + ("" if found.complete else " The search was cut short: the best so far."),
    )


def search_details(found: Found) -> dict[str, Any]:
    """Summary of the search, for the report."""
    if not found.baseline or found.statistics is None:
        return {"films": 0, "interrupted": found.interrupted}
    return {
        "films": found.tried,
        "complete": found.complete,
        "interrupted": found.interrupted,
        "score_by_films": [[count, round(value, 4)] for count, value in found.history],
        "baseline": found.baseline,
        "baseline_recipe": dataclasses.asdict(found.baseline_recipe),
        "worst_day": found.worst_days[0].name if found.worst_days else None,
        "gain_over_baseline": gain_over(found.baseline["min_over_mean"], found.statistics),
    }


def gain_over(plain: float, s: WallStatistics) -> float | None:
    """Gain over the baseline's thinnest patch; None where that one is bare."""
    return round(s.min / s.mean / plain, 3) if plain > 0.0 else None


def demould_from_min(clocks: Sequence[CoatClock], last_demould_s: float) -> float:
    """From the first coat's parts meeting to demoulding, pouring each coat when it first may."""
    met_s = 0.0
    for before, after in itertools.pairwise(clocks):
        met_s += before.next_pour_from_s - (after.spin_from_s - CLOSE_UP_S)
    return (met_s + last_demould_s) / 60.0
