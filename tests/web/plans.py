"""A small plan, its wall and files for the panel's tests; no planner computed a figure of it."""

from __future__ import annotations

import math
import shutil
from pathlib import Path
from typing import Any

from evenwall.model import (
    AxisSpec,
    Casting,
    CoatClock,
    CoatPlan,
    Geometry,
    OpeningFound,
    Plan,
    ProbeSpec,
    Ramp,
    Resin,
    RigSpec,
    Sheet,
    Totals,
    WallSummary,
)
from evenwall.palette import wall_scale
from tests.support.virtual_shop import SAMPLES

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


def rig() -> RigSpec:
    """A simulated rig that a phone may start: who may press where is tests/run's matter."""
    axis = AxisSpec(gear_ratio=5, motor_holding_torque_Nm=1.2)
    probes = tuple(ProbeSpec(role=role) for role in ("resin", "room", "mould"))
    return RigSpec(name="small rig", major=axis, minor=axis, probes=probes, confirm_at_rig=False)


def small_plan() -> Plan:
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
        rig=rig(),
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


def fill_library(folder: Path) -> None:
    """Put two castings and two resins of other names than the samples' into a folder."""
    for stem in ("lantern-globe", "lighthouse"):
        shutil.copy(SAMPLES / f"{stem}.stl", folder)
    for minutes in (14, 40):
        (folder / f"clear-{minutes}.toml").write_text(
            f'name = "Clear cast {minutes}"\nprice_per_kg = 28.0\n\n[sheet]\n'
            f"pot_life_min = {minutes}.0\nmixed_viscosity_mPa_s = 300.0\n"
            "mix_ratio_b_per_100a = 50.0\nmixed_density_g_cm3 = 1.08\n"
            "peak_exotherm_degC = 96.0\ndemould_min = 120.0\n",
            encoding="utf-8",
        )
    for name, stem, words in (
        ("globe", "lantern-globe", "Lantern globe"),
        ("tower", "lighthouse", "Lighthouse"),
    ):
        (folder / f"{name}.toml").write_text(
            f'name = "{words}"\nmesh = "{stem}.stl"\nmesh_units = "mm"\nwall_mm = 4.5\n'
            'resin = "clear-14.toml"\ncoats = 3\n',
            encoding="utf-8",
        )


def globe_mesh(rows: int = 14, columns: int = 24) -> dict[str, Any]:
    """An open sphere of radius 80 mm, thinner near its rim, as `planning.wall.wall_mesh` has it."""
    vertices, wall, faces = [], [], []
    for i in range(rows + 1):
        polar = math.pi * (1 - 0.86 * i / rows)
        for j in range(columns):
            around = 2 * math.pi * j / columns
            vertices.append(
                [
                    80 * math.sin(polar) * math.cos(around),
                    80 * math.sin(polar) * math.sin(around),
                    80 * math.cos(polar),
                ]
            )
            wall.append(4.5 + 0.4 * math.cos(3 * around) * math.sin(polar) - 0.7 * (i / rows) ** 4)
    for i in range(rows):
        for j in range(columns):
            a, b = i * columns + j, i * columns + (j + 1) % columns
            faces += [[a, b + columns, b], [a, a + columns, b + columns]]
    thinnest = min(range(len(wall)), key=wall.__getitem__)
    last = rows * columns
    return {
        "vertices_mm": vertices,
        "faces": faces,
        "wall_mm": wall,
        "inward": [[-value / 80 for value in vertex] for vertex in vertices],
        "rim": [[last + j, last + (j + 1) % columns] for j in range(columns)],
        "thinnest_vertex": thinnest,
        "thinnest_mm": wall[thinnest],
        "scale": wall_scale(4.5),
    }
