"""A small believable plan for the panel's tests; no figure in it was computed by the planner."""

from __future__ import annotations

from pathlib import Path

from evenwall.model import (
    AxisSpec,
    Casting,
    CoatClock,
    CoatPlan,
    Geometry,
    OpeningFound,
    Plan,
    Ramp,
    Resin,
    RigSpec,
    Sheet,
    Totals,
    WallSummary,
)

COAT_CLOCK = CoatClock(
    pour_by_s=480,
    spin_from_s=540,
    gel_expected_s=840,
    gel_low_s=770,
    gel_high_s=920,
    spin_until_s=1100,
    next_pour_from_s=1700,
    next_pour_until_s=5200,
)


def small_plan() -> Plan:
    axis = AxisSpec(gear_ratio=5, motor_holding_torque_Nm=1.2)
    coats = tuple(
        CoatPlan(
            coat=n,
            mean_mm=1.5,
            mix_g=114.6,
            part_a_g=76.4,
            part_b_g=38.2,
            cup_left_g=3.1,
            spill_g=0.8,
            clock=COAT_CLOCK,
            ramps=(
                Ramp(leg="spread", duration_s=6, major_rpm=4.0, minor_rpm=-1.5),
                Ramp(leg="spread", duration_s=120, major_rpm=4.0, minor_rpm=-1.5),
                Ramp(leg="level", duration_s=8, major_rpm=7.9, minor_rpm=3.0),
                Ramp(leg="level", duration_s=420, major_rpm=7.9, minor_rpm=3.0),
                Ramp(leg="rim", duration_s=90, major_rpm=7.9, minor_rpm=-3.0),
            ),
        )
        for n in (1, 2, 3)
    )
    resin = Resin(
        name="Clear cast 14",
        sheet=Sheet(
            pot_life_min=14,
            mixed_viscosity_mPa_s=300,
            mix_ratio_b_per_100a=50,
            mixed_density_g_cm3=1.08,
            peak_exotherm_degC=96,
            demould_min=120,
        ),
        price_per_kg=28.0,
        currency="EUR",
    )
    return Plan(
        casting=Casting(name="Lantern globe", mesh=Path("globe.stl"), resin=resin, wall_mm=4.5),
        rig=RigSpec(name="small rig", major=axis, minor=axis),
        geometry=Geometry(
            area_cm2=690,
            solid_volume_cm3=2050,
            opening=OpeningFound(centre_mm=(0, 0, 72), direction=(0, 0, 1), area_cm2=38),
            mesh_sha256="0" * 64,
        ),
        coats=coats,
        wall=WallSummary(
            target_mm=4.5,
            mean_mm=4.5,
            min_mm=3.9,
            p05_mm=4.1,
            p95_mm=4.9,
            rim_mm=4.2,
            rim_min_mm=3.7,
            mesh_error_mm=0.1,
            worst_case_min_mm=3.6,
        ),
        totals=Totals(
            resin_g=344,
            hollow_g=331,
            solid_g=2214,
            saved_fraction=0.85,
            cost=9.63,
            elapsed_min=104,
            demould_from_min=190,
        ),
        cautions=(
            "Isocyanates sensitise: gloves, goggles and the respirator the data sheet names.",
            "A full cup heats up by itself: never leave it, never seal it.",
        ),
        notes=("The rim is not the wall: it drains more and is thinner.",),
    )
