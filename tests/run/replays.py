"""Proven runs for the tests and benches of replay: a mould, its coats, and the film on them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull

from evenwall.model import AxisSpec, Casting, CoatPlan, Plan, Ramp, RigSpec, read_casting
from evenwall.numerics import cure, film
from evenwall.planning import make_plan
from evenwall.planning.batch import CLOSE_UP_S
from evenwall.run import replay
from evenwall.units import metres, rad_s

Floats = npt.NDArray[np.float64]
SAMPLES = Path(__file__).resolve().parents[2] / "controller" / "samples"
SURFACE_TENSION_N_M = 0.035  # of casting resins, from memory
SHOP_DEGC = 21.0


@cache
def a_plan() -> Plan:
    axis = AxisSpec(gear_ratio=5, motor_holding_torque_Nm=5)
    rig = RigSpec(name="Bench frame", major=axis, minor=axis)
    casting = read_casting(SAMPLES / "lantern-globe.toml")
    return make_plan(casting, rig, time_budget_s=0.0)


@cache
def a_proven_run() -> replay.ProvenRun:
    """The plan turned exactly as planned, in the room it was planned for."""
    plan = a_plan()
    kin = replay.kinetics_of(plan.casting)
    return replay.ProvenRun(
        run_id="run-1",
        sha256="0" * 64,
        coats=tuple(_proven(plan.casting, kin, coat) for coat in plan.coats),
    )


def _proven(casting: Casting, kin: cure.Kinetics, coat: CoatPlan) -> replay.ProvenCoat:
    poured_s = coat.clock.spin_from_s - CLOSE_UP_S
    path = replay.CurePath.of(kin, history(casting, kin, coat, poured_s, SHOP_DEGC))
    return replay.ProvenCoat(
        coat=coat.coat,
        part_a_g=coat.part_a_g,
        part_b_g=coat.part_b_g,
        poured_s=poured_s,
        spin_from_s=coat.clock.spin_from_s,
        start_deg=coat.start_deg,
        ramps=coat.ramps,
        cure=replay.CureTable.of(path, SHOP_DEGC),
    )


def history(
    casting: Casting, kin: cure.Kinetics, coat: CoatPlan, poured_s: float, temp_degC: float
) -> cure.CureHistory:
    """Cure in a shop of this temperature, on the wall that the earlier coats have warmed."""
    wall_degC = temp_degC + coat.wall_warmer_K
    return replay.cure_of_coat(
        casting, kin, coat.mean_mm, coat.mix_g, poured_s, temp_degC, wall_degC
    )


def turned(ramps: tuple[Ramp, ...], time_s: Floats) -> tuple[Floats, Floats]:
    """Turns of the major and the minor axis at times since the ramps began, exactly."""
    ends = np.cumsum([ramp.duration_s for ramp in ramps])
    starts = np.concatenate([[0.0], ends[:-1]])
    k = np.minimum(np.searchsorted(ends, time_s), len(ends) - 1)
    into = np.minimum(time_s, ends[-1]) - starts[k]
    both = []
    for name in ("major_rpm", "minor_rpm"):
        rpm = np.array([0.0, *(getattr(ramp, name) for ramp in ramps)])
        whole = np.cumsum(0.5 * (rpm[1:] + rpm[:-1]) * (ends - starts))
        slope = (rpm[1:] - rpm[:-1]) / (ends - starts)
        before = np.concatenate([[0.0], whole])[k]
        both.append((before + (rpm[k] + 0.5 * slope[k] * into) * into) / 60.0)
    return both[0], both[1]


def length_s(ramps: tuple[Ramp, ...]) -> float:
    return sum(ramp.duration_s for ramp in ramps)


def lumpy_pot(spacing: float, radius_m: float = 0.07) -> film.FilmMesh:
    """An open vessel that is not a body of revolution. spacing: of its cells, over the radius."""
    polar = np.linspace(0.0, 2.5, round(2.5 / spacing) + 1)
    rings = []
    for number, theta in enumerate(polar):
        count = max(1, round(2.0 * np.pi * np.sin(theta) / spacing)) if number else 1
        turn = 2.0 * np.pi * (np.arange(count) + 0.5 * (number % 2)) / count
        flat = np.sin(theta) * np.array([np.cos(turn), np.sin(turn)])
        rings.append(np.column_stack([*flat, np.full(count, -np.cos(theta))]))
    points = np.vstack(rings)
    first_of_rim = len(points) - len(rings[-1])
    triangles = ConvexHull(points).simplices
    triangles = triangles[~(triangles >= first_of_rim).all(axis=1)]  # the lid
    corners = points[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    outward = np.einsum("ij,ij->i", normal, corners.mean(axis=1)) > 0.0
    triangles[outward] = triangles[outward, ::-1]
    turn = np.arctan2(points[:, 1], points[:, 0])
    across = np.hypot(points[:, 0], points[:, 1])
    bulge = np.sin(3.0 * turn) * across**3 + 0.7 * np.sin(2.5 * points[:, 2] + 1.0)
    return film.FilmMesh.build(points * (radius_m * (1.0 + 0.12 * bulge))[:, None], triangles)


def film_coat(
    mesh: film.FilmMesh, plan: Plan, coat: CoatPlan, ramps: tuple[Ramp, ...], spin_from_s: float
) -> film.Coat:
    """`coat`'s resin, with its viscosity, turned by `ramps` from `spin_from_s` on."""
    time_s, viscosity = (np.array(column) for column in zip(*coat.viscosity, strict=True))
    density = plan.casting.resin.sheet.mixed_density_g_cm3 * 1e3
    spin = film.Spin(
        spin_from_s,
        np.radians(coat.start_deg.major),
        np.radians(coat.start_deg.minor),
        np.array([ramp.duration_s for ramp in ramps]),
        np.array([rad_s(ramp.major_rpm) for ramp in ramps]),
        np.array([rad_s(ramp.minor_rpm) for ramp in ramps]),
    )
    return film.Coat(
        film.Fluid(density, SURFACE_TENSION_N_M, time_s, viscosity),
        spin,
        volume_m3=metres(coat.mean_mm) * mesh.total_area,
    )
