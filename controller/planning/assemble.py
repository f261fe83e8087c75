"""Assemble a plan from its laid and chosen coats, with totals, load, cautions and details."""

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
from evenwall.planning.advice import (
    balance,
    cautions,
    dewetting,
    moisture,
    shopping,
    vent,
)
from evenwall.planning.batch import CLOSE_UP_S, Batch, Taught, parts_g, turn_by_s, viscosity_table
from evenwall.planning.coat_heat import Series, heat_caution, heat_detail
from evenwall.planning.context import COVER_MM, PlanningContext
from evenwall.planning.in_words import clock_words
from evenwall.planning.limits import what_limits
from evenwall.planning.loading import check_load
from evenwall.planning.odds import odds_detail
from evenwall.planning.recipe import Recipe, profile, ramps, start_angles, time_of
from evenwall.planning.rests import why_this_rest
from evenwall.planning.search import Found
from evenwall.planning.shape_error import shape_notes, with_shape_error
from evenwall.units import millimetres

MARGIN_S = 60.0  # a plan that leaves less than this to begin turning says so
WEIGH_MIN = 10.0  # preparing and weighing before the first parts meet

CAP = "Cap the opening while it turns: an open mouth that points down pours the coat out again."

TRAY = "Stand a drip tray under the frame; never pour its contents back."


def assemble(
    context: PlanningContext,
    options: Sequence[Series],
    found: Found,
    laid: tuple[CoatPlan, ...],
    seed: int,
) -> Plan:
    """Return the plan of laid and chosen coats, with totals, load and cautions.

    options: the coats still to lay, for each rest that was compared; `found` has the chosen one.
    """
    casting, cavity, series = context.casting, context.cavity, options[found.rest]
    fresh = found.recipes[len(laid) :]
    pairs = zip(fresh, series.batches, strict=True)
    batches = [time_of(recipe, context.times(batch)) for recipe, batch in pairs]
    profiles = [
        profile(recipe, one.clock, context.rig, context.opening)
        for recipe, one in zip(fresh, batches, strict=True)
    ]
    coats = laid + tuple(
        lay(context, one, found, k, recipe, ramps(ramped))
        for k, (one, recipe, ramped) in enumerate(
            zip(batches, fresh, profiles, strict=True), len(laid)
        )
    )
    totals = totals_of(context, coats, batches[-1].demould_s)
    # Resin that is poured last has the least time to lose its bubbles.
    latest = max(batches, key=lambda one: one.clock.spin_from_s)
    said, bubble = cautions(casting, latest, context.mould_degC)
    said += slump_caution(context, series.batches)
    details = {
        "load": load_of(context, profiles, totals, batches),
        "clarity": {"smallest_escaping_bubble_mm": round(bubble, 3)},
        **details_of(context, options, found, batches, laid),
    }
    wall_mm = sum(c.mean_mm for c in coats)
    wall = with_shape_error(wall_summary(casting, wall_mm, found), casting)
    return Plan(
        casting=casting,
        rig=context.rig,
        seed=seed,
        geometry=geometry_of(cavity),
        coats=coats,
        wall=wall,
        totals=totals,
        cautions=(
            *cautions_of(context, coats, len(laid), batches),
            *balance(bool(details["load"].get("counterweights"))),
            *heat_caution(details["heat"]),
            *said,
        ),
        notes=(
            *cavity.notes,
            *shape_notes(casting),
            *taught_notes(context.taught, found),
            rim_is_not_the_wall(totals.hollow_g, cavity.area_cm2, wall_mm),
        ),
        limits=what_limits(cavity, found, wall, len(coats), COVER_MM),
        details=details,
    )


def load_of(
    context: PlanningContext, profiles: list[Any], totals: Totals, batches: Sequence[Batch]
) -> Any:
    """Return the turning mass and the margin of the motors. Raises PlanError where a load is too
    much."""
    kg, mix_kg = totals.hollow_g * 1e-3, batches[0].mix_g * 1e-3
    return check_load(context.casting, context.cavity, context.rig, profiles, kg, mix_kg)


def geometry_of(cavity: Cavity) -> Geometry:
    """Return the mould's figures for the plan's file."""
    return Geometry(
        area_cm2=cavity.area_cm2,
        solid_volume_cm3=cavity.solid_volume_cm3,
        opening=cavity.opening,
        mesh_sha256=cavity.mesh_sha256,
    )


def totals_of(context: PlanningContext, coats: Sequence[CoatPlan], demould_s: float) -> Totals:
    """Sum the grams, the cost and the time of all coats, up to demoulding: `demould_s` after the
    last."""
    hollow = sum(c.in_mould_g - c.lid_g for c in coats)
    density = context.casting.resin.sheet.cured_density_g_cm3
    solid = context.cavity.solid_volume_cm3 * density
    resin, price = sum(c.mix_g for c in coats), context.casting.resin.price_per_kg
    demould_min = demould_from_min([coat.clock for coat in coats], demould_s)
    return Totals(
        resin_g=resin,
        hollow_g=hollow,
        solid_g=solid,
        saved_fraction=1.0 - hollow / solid,
        cost=None if price is None else resin * 1e-3 * price,
        elapsed_min=demould_min + WEIGH_MIN,
        demould_from_min=demould_min,
    )


def details_of(
    context: PlanningContext,
    options: Sequence[Series],
    found: Found,
    batches: Sequence[Batch],
    laid: Sequence[CoatPlan],
) -> dict[str, Any]:
    """Return the plan's details beside load and clarity: see `model.details`."""
    casting, series = context.casting, options[found.rest]
    count = len(laid) + len(batches)
    first_min = series.batches[0].clock.next_pour_from_s / 60.0
    why = why_this_rest(found.rests, found.rest, first_min) if found.rests else ""
    mean_mm = sum(one.mean_mm for one in laid) + sum(one.mean_mm for one in batches)
    odds = {} if found.odds is None else {"odds": odds_detail(found.odds, mean_mm)}
    return {
        **odds,
        "shop": {
            "dew_point_degC": moisture(casting, context.mould_degC)[0],
            "shopping": shopping(casting, series.batches[0], len(batches)),
            "five_K_colder": colder(context, batches[0], count),
        },
        "coat_limits_mm": {"cover": COVER_MM, "hold": round(held_mm(context, series.batches), 2)},
        "search": {**search_details(found), **baseline_coats(context, series, found, len(laid))},
        "recipes": [
            dataclasses.asdict(dataclasses.replace(recipe, coat=k))
            for k, recipe in enumerate(found.recipes)
        ],
        "heat": heat_detail(options[0], series, found.rests, why),
    }


def lay(
    context: PlanningContext,
    batch: Batch,
    found: Found,
    index: int,
    recipe: Recipe,
    turned: tuple[Ramp, ...],
) -> CoatPlan:
    """Return one coat for the plan's file. In an open mould each coat loses a different mass."""
    mean_mm, spill_g = batch.mean_mm, batch.spill_g
    if found.spilt_m3 is not None and found.grid is not None:
        k = index - (len(found.recipes) - len(found.coats_m))
        area = found.grid.weights.area
        cured = context.casting.resin.sheet.cured_share
        mean_mm = millimetres(float(found.coats_m[k] @ area / area.sum())) * cured
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
        lid_g=context.lid_g(mean_mm),
        clock=turned_by(batch.clock, found.late),
        wall_warmer_K=round(batch.warmer_K, 2),
        start_deg=start_angles(recipe, context.opening),
        ramps=turned,
        viscosity=viscosity_table(batch.history),
        opening_state="open" if context.open else "capped",
    )


def turned_by(clock: CoatClock, late: float) -> CoatClock:
    """Return the clock with its latest start of turning: `late` of the time to gel after the
    planned start."""
    return clock.model_copy(update={"turn_by_s": clock.spin_from_s + late * clock.gel_expected_s})


def late_of(clock: CoatClock) -> float:
    """Return how long after the planned start turning may begin, as a share of the time to gel."""
    return (turn_by_s(clock) - clock.spin_from_s) / clock.gel_expected_s


def baseline_coats(
    context: PlanningContext, series: Series, found: Found, laid: int
) -> dict[str, Any]:
    """Return the turning of the 4:1 for comparison, poured at once, for each coat with its own
    cure: only the parts that differ from the plan. A coat that is already laid is compared as the
    first of the others."""
    if not found.baseline:
        return {}
    recipe, rows = found.baseline_recipe, []
    for batch in (*[series.batches[0]] * laid, *series.batches):
        turned = ramps(profile(recipe, batch.clock, context.rig, context.opening))
        coat = lay(context, batch, Found(), 0, recipe, turned)
        differs = {"clock", "start_deg", "ramps", "viscosity"}
        rows.append(coat.model_dump(mode="json", include=differs))
    return {"baseline_coats": rows}


def cautions_of(
    context: PlanningContext, coats: Sequence[CoatPlan], laid: int, batches: Sequence[Batch]
) -> list[str]:
    """Return the cautions about the mouth, the mould and the times of the coats still to lay."""
    fresh, density = coats[laid:], context.density_kg_m3
    warmer_K = max(one.coat_peak_degC for one in batches) - context.shop_degC
    return [
        *opening_caution(context, fresh),
        *([] if context.open else vent(warmer_K, context.shop_degC, fresh[0].mean_mm, density)),
        *([] if laid else dewetting(context.casting, fresh[0].mean_mm)),
        *standing_caution(fresh),
        *margin_caution(fresh),
    ]


def opening_caution(context: PlanningContext, coats: Sequence[CoatPlan]) -> list[str]:
    """Return the cautions about the mouth while the mould turns."""
    poured_g = sum(c.mix_g - c.cup_left_g for c in coats)
    if context.open:
        spilt_g = sum(c.spill_g for c in coats)
        return [
            f"The mouth is open while it turns: of {poured_g:.0f} g poured about {spilt_g:.0f} g "
            f"run over. {TRAY} A cap would save them."
        ]
    if context.runs_out:
        return [
            "The casting file leaves the mouth open, but of each "
            f"{poured_g / len(coats):.0f} g pour about "
            f"{context.runs_out * poured_g / len(coats):.0f} g would "
            f"run out at the first turn: this plan is for a capped mouth. {TRAY}",
            CAP,
        ]
    return [CAP]


def standing_caution(coats: Sequence[CoatPlan]) -> list[str]:
    """Return the cautions about a mix that stands in its cup."""
    stand = [str(coat.coat) for coat in coats if coat.clock.pour_from_s > 0.0]
    if not stand:
        return []
    which = f"coat {stand[0]}" if len(stand) == 1 else f"coats {', '.join(stand)}"
    return [
        f"The mix of {which} stands in its cup before it is poured, and warms itself there: "
        "leave the cup open, and pour at once if it grows hot or draws threads."
    ]


def margin_caution(coats: Sequence[CoatPlan]) -> list[str]:
    """Warn where a person has less than MARGIN_S to spare before turning must begin."""
    spare_s = {
        coat: coat.clock.turn_by_s - coat.clock.spin_from_s
        for coat in coats
        if coat.clock.turn_by_s is not None
    }
    tightest = min(spare_s, key=lambda coat: spare_s[coat], default=None)
    if tightest is None or spare_s[tightest] >= MARGIN_S:
        return []
    return [
        f"Coat {tightest.coat} leaves {max(0.0, spare_s[tightest]):.0f} s to spare: turning must "
        f"begin by {clock_words(tightest.clock.turn_by_s or 0.0)} after its parts meet, or the "
        "wall comes out less even. A slower resin, smaller coats, a cooler shop or less degassing "
        "would leave more."
    ]


def taught_notes(taught: Taught, found: Found) -> list[str]:
    """Return the notes on what earlier castings of this mould change in the plan. Where their walls
    were measured in this resin, `lessons_told` has better ones."""
    said: list[str] = []
    if taught.walls:
        return said
    if abs(taught.stays - 1.0) >= 0.005:
        said.append(
            f"In {taught.castings} proven castings this mould held {taught.stays:.3f} times the "
            f"predicted resin: the weights allow for that."
        )
    s = found.statistics
    if s is not None and abs(taught.rim_factor - 1.0) >= 0.02:
        said.append(
            f"Its rims came out {taught.rim_factor:.2f} times as thick against the wall as "
            f"predicted: expect "
            f"{taught.rim_factor * s.rim / s.mean:.2f} of the mean there, not {s.rim / s.mean:.2f}."
        )
    return said


def held_mm(context: PlanningContext, batches: Sequence[Batch]) -> float:
    """Return the thinnest coat that the rotation holds, of these coats."""
    return min(context.hold_mm(one) for one in batches)


def slump_caution(context: PlanningContext, batches: Sequence[Batch]) -> list[str]:
    limit, mean_mm = held_mm(context, batches), batches[0].mean_mm
    if mean_mm <= limit:
        return []
    return [
        f"A coat of {mean_mm:.2f} mm is more than the {limit:.2f} mm this resin holds while "
        "it turns: it may slump before it thickens. More coats would be safer."
    ]


def colder(context: PlanningContext, batch: Batch, coats: int) -> dict[str, float] | str:
    """Return what changes in a shop that is 5 K colder."""
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
    """Return the computed wall in mm. Without a film, return the average alone, with a note."""
    if found.statistics is None or found.grid is None:
        return WallSummary(
            target_mm=casting.wall_mm,
            mean_mm=wall_mm,
            note="A mean over the area: resin divided by skin. The wall at each place is not "
            "computed.",
        )
    s = found.statistics
    scale = wall_mm / s.mean  # the film mesh's area is slightly smaller than the casting's
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
            f" on cells of {found.grid.mesh_mm:.1f} mm alone: smaller details are not resolved "
            f"and may be thinner."
            if found.mesh_error is None
            else "; the error is estimated from the meshes on which it was computed."
        )
        + ("" if found.complete else " The search was cut short: this is the best so far."),
    )


def search_details(found: Found) -> dict[str, Any]:
    """Return the summary of the search for the report."""
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
    """Return the gain over the baseline's thinnest patch, or None where that patch is bare."""
    return round(s.min / s.mean / plain, 3) if plain > 0.0 else None


def demould_from_min(clocks: Sequence[CoatClock], last_demould_s: float) -> float:
    """Return the time from the first coat's mixing to demoulding, if each coat is poured as soon as
    allowed."""
    met_s = 0.0
    for before, after in itertools.pairwise(clocks):
        met_s += before.next_pour_from_s - (after.spin_from_s - CLOSE_UP_S)
    return (met_s + last_demould_s) / 60.0


def rim_is_not_the_wall(hollow_g: float, area_cm2: float, wall_mm: float) -> str:
    return (
        f"The rim is not the wall: {hollow_g:.0f} g on {area_cm2:.0f} cm2 of skin give a mean of "
        f"{wall_mm:.1f} mm, whatever a rim measures."
    )
