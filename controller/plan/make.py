"""From a casting and a rig to a plan."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from concurrent.futures import Executor
from typing import Any

from controller import cure
from controller.errors import PlanError
from controller.model import (
    Casting,
    CoatPlan,
    Geometry,
    Plan,
    RigSpec,
    Totals,
    WallSummary,
)
from controller.mould import Cavity, load_cavity
from controller.plan.batch import CLOSE_UP_S, Batch, cure_sheet, make_batch, viscosity_table
from controller.plan.loading import check_load, check_reach
from controller.plan.recipe import Recipe, profile, ramps, start_angles
from controller.plan.shop import cautions, moisture, shopping
from controller.spin import Profile
from controller.units import G_M_S2, rad_s

Progress = Callable[[float, str], None]

COVER_MM = 0.6  # a thinner coat leaves dry places: common practice, no source
# Of the film a turning cylinder holds in scale, h* = sqrt(nu Omega R/g) (Moffatt 1977; it holds
# 0.70 h*), at the viscosity half way to the gel.
HOLD_SHARE = 0.7
MOST_COATS = 12
WEIGH_MIN = 10.0  # preparing and weighing before the first parts meet

DEFAULT_RECIPES = (
    Recipe(bias=0.02),
    Recipe(bias=-0.05, rim_bias=-0.25),
    Recipe(bias=0.0, reverse=True),
)


def make_plan(
    casting: Casting,
    rig: RigSpec,
    *,
    seed: int = 0,
    time_budget_s: float | None = None,  # noqa: ARG001
    progress: Progress | None = None,
    executor: Executor | None = None,  # noqa: ARG001
) -> Plan:
    """Plan a casting. Raises PlanError in one line where no plan can work.

    progress: called with the fraction done and a few words. executor: where maps of coats are
    computed; any concurrent.futures executor. The same seed gives the same plan.
    """
    tell = progress or _silent
    tell(0.0, "reading the mould")
    cavity = load_cavity(casting)
    check_reach(casting, cavity, rig)
    check_neck(casting, cavity)
    tell(0.1, "weighing and timing")
    mould_degC = casting.mould.temp_degC
    mould_degC = casting.shop.temp_degC if mould_degC is None else mould_degC
    kin = cure.kinetics_from_sheet(cure_sheet(casting.resin.sheet))
    count = choose_count(casting, cavity, kin, mould_degC, DEFAULT_RECIPES[0].level_rpm)
    mean_mm = casting.wall_mm / count
    batch = make_batch(
        casting, kin, cavity.area_cm2, mean_mm, 0.0, casting.shop.temp_degC, mould_degC
    )
    batches = [batch] * count
    recipes = [DEFAULT_RECIPES[k % len(DEFAULT_RECIPES)] for k in range(count)]
    towards_z = 1.0 if cavity.opening_direction()[2] >= 0 else -1.0
    profiles = [
        profile(recipe, batch.clock, rig, towards_z)
        for recipe, batch in zip(recipes, batches, strict=True)
    ]
    tell(1.0, "done")
    return assemble(casting, rig, cavity, batches, recipes, profiles, mould_degC, seed)


def _silent(_fraction: float, _words: str) -> None:
    return


def check_neck(casting: Casting, cavity: Cavity) -> None:
    """The wall must leave a way through the narrowest passage and the mouth."""
    radius, where = cavity.neck_radius_mm()
    mouth = math.sqrt(cavity.opening.area_cm2 * 100.0 / math.pi)
    place = f"the neck near {[round(float(x)) for x in where]} mm"
    if mouth < radius:
        radius, place = mouth, "the opening"
    if casting.wall_mm >= radius:
        raise PlanError(
            "wall_mm",
            casting.wall_mm,
            f"{place} has a radius of {radius:.1f} mm and would close",
            unit="mm",
            hint=f"a wall of {0.6 * radius:.1f} mm or less leaves a way for the resin",
        )


def hold_mm(batch: Batch, area_cm2: float, level_rpm: float, density_kg_m3: float) -> float:
    """The coat that the rotation holds as it thickens, mm: see HOLD_SHARE."""
    half = 0.5 * (batch.clock.spin_from_s + batch.clock.gel_expected_s)
    index = int((batch.history.time_s < half).sum())
    kinematic = float(batch.history.viscosity_Pa_s[index]) / density_kg_m3
    radius = math.sqrt(area_cm2 * 1e-4 / (4 * math.pi))
    return HOLD_SHARE * math.sqrt(kinematic * rad_s(level_rpm) * radius / G_M_S2) * 1e3


def choose_count(
    casting: Casting, cavity: Cavity, kin: cure.Kinetics, mould_degC: float, level_rpm: float
) -> int:
    """As many coats as stated, else the fewest whose coat the rotation holds."""
    if casting.coats is not None:
        return casting.coats
    density = casting.resin.sheet.mixed_density_g_cm3 * 1e3
    thickest = 0.0
    for count in range(1, MOST_COATS + 1):
        mean = casting.wall_mm / count
        batch = make_batch(
            casting, kin, cavity.area_cm2, mean, 0.0, casting.shop.temp_degC, mould_degC
        )
        limit = min(hold_mm(batch, cavity.area_cm2, level_rpm, density), _section_mm(casting))
        thickest = max(thickest, limit)
        if mean <= limit:
            return count
        if mean < COVER_MM:
            break
    raise PlanError(
        "wall_mm",
        casting.wall_mm,
        f"no number of coats up to {MOST_COATS} does it: a coat holds at most {thickest:.2f} mm "
        f"and must be {COVER_MM:g} mm to cover",
        unit="mm",
        hint=f"a wall of {thickest * MOST_COATS:.1f} mm, or a thicker resin",
    )


def _section_mm(casting: Casting) -> float:
    limit = casting.resin.max_section_mm
    return math.inf if limit is None else limit


def assemble(
    casting: Casting,
    rig: RigSpec,
    cavity: Cavity,
    batches: list[Batch],
    recipes: list[Recipe],
    profiles: list[Profile],
    mould_degC: float,
    seed: int,
) -> Plan:
    """Put the chosen coats together: totals, load, cautions."""
    sheet = casting.resin.sheet
    area = cavity.area_cm2
    coats = tuple(
        CoatPlan(
            coat=k + 1,
            mean_mm=batch.mean_mm,
            mix_g=batch.mix_g,
            part_a_g=batch.part_a_g,
            part_b_g=batch.part_b_g,
            cup_left_g=batch.cup_left_g,
            spill_g=batch.spill_g,
            clock=batch.clock,
            start_deg=start_angles(recipe),
            ramps=ramps(found),
            viscosity=viscosity_table(batch.history),
            opening_state="capped",
        )
        for k, (batch, recipe, found) in enumerate(zip(batches, recipes, profiles, strict=True))
    )
    hollow = sum(b.mix_g - b.cup_left_g - b.spill_g for b in batches)
    solid = cavity.solid_volume_cm3 * sheet.mixed_density_g_cm3
    resin = sum(b.mix_g for b in batches)
    price = casting.resin.price_per_kg
    demould_min = demould_from_min(batches)
    said, bubble = cautions(casting, batches, mould_degC)
    details: dict[str, Any] = {
        "load": check_load(
            casting, cavity, rig, profiles, hollow * 1e-3, max(b.mix_g for b in batches) * 1e-3
        ),
        "shop": {
            "dew_point_degC": moisture(casting, mould_degC)[0],
            "shopping": shopping(casting, batches),
        },
        "clarity": {"smallest_escaping_bubble_mm": round(bubble, 3)},
    }
    wall_mm = sum(b.mean_mm for b in batches)
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
        wall=WallSummary(
            target_mm=casting.wall_mm,
            mean_mm=wall_mm,
            note="An area average: resin over skin. The wall from place to place is not computed.",
        ),
        totals=Totals(
            resin_g=resin,
            hollow_g=hollow,
            solid_g=solid,
            saved_fraction=1.0 - hollow / solid,
            cost=None if price is None else resin * 1e-3 * price,
            elapsed_min=demould_min + WEIGH_MIN,
            demould_from_min=demould_min,
        ),
        cautions=tuple(said),
        notes=(*cavity.notes, rim_is_not_the_wall(hollow, area, wall_mm)),
        details=details,
    )


def demould_from_min(batches: list[Batch]) -> float:
    """From the first coat's parts meeting to demoulding, pouring each coat when it first may."""
    met_s = 0.0
    for before, after in itertools.pairwise(batches):
        met_s += before.clock.next_pour_from_s - (after.clock.spin_from_s - CLOSE_UP_S)
    return (met_s + batches[-1].demould_s) / 60.0


def rim_is_not_the_wall(hollow_g: float, area_cm2: float, wall_mm: float) -> str:
    return (
        f"The rim is not the wall: {hollow_g:.0f} g on {area_cm2:.0f} cm2 of skin averages "
        f"{wall_mm:.1f} mm, whatever a rim measures."
    )
