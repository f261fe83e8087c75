"""Check that the rig can carry and turn the mould, and compute the weights that balance it."""

from __future__ import annotations

import math
from typing import Any

from evenwall.errors import PlanError
from evenwall.geometry.mould import Cavity
from evenwall.model import AxisSpec, Casting, RigSpec
from evenwall.numerics.loads import Body, counterweights, peak_torques, skin, together
from evenwall.numerics.spin import Profile
from evenwall.units import G_M_S2

# Rubber, plaster and similar materials are near this density; from memory. A shell around the
# rubber is unknown unless the casting states the mould's weight.
MOULD_DENSITY_KG_M3 = 1150.0
ROUNDED_MM = 0.1  # the suggested crossing is rounded to this
LEAST_WALL_MM = 3.0  # a thinner mould wall is not suggested: it bulges (common practice, no source)


def carried(casting: Casting, cavity: Cavity, resin_kg: float) -> Body:
    """Return mould and resin as one body about the crossing of the axes."""
    wall_mm = casting.mould.wall_mm
    outside = cavity.surface(0.5 * wall_mm)
    mass = casting.mould.mass_kg
    if mass is None:
        mass = outside.area_m2 * wall_mm * 1e-3 * MOULD_DENSITY_KG_M3
    inside = cavity.surface()
    return together(
        [
            skin(mass, outside.area_m2, outside.centroid_m, outside.second_m4),
            skin(resin_kg, inside.area_m2, inside.centroid_m, inside.second_m4),
        ]
    )


def check_reach(casting: Casting, cavity: Cavity, rig: RigSpec) -> float:
    """Return the mould's radius about the crossing, mm. Raises PlanError beyond the frame's."""
    wall_mm, limit_mm = casting.mould.wall_mm, rig.mould_radius_limit_mm
    reach = cavity.reach_mm() + wall_mm
    if reach > limit_mm:
        raise PlanError(
            "mould's reach from the crossing of the axes",
            f"{reach:.0f}",
            f"{rig.name} clears {limit_mm:g} mm",
            unit="mm",
            hint=_nearer(cavity, wall_mm, limit_mm),
        )
    return reach


def _nearer(cavity: Cavity, wall_mm: float, limit_mm: float) -> str:
    """Return the suggestion for a mould that does not fit: an axis crossing at which it fits, a
    thinner mould wall, or the frame that it needs."""
    least_mm, centre = cavity.least_reach_mm()
    at = ", ".join(f"{x:.1f}" for x in centre)
    if least_mm + wall_mm <= limit_mm - ROUNDED_MM:
        return (
            f"mount it with the axes crossing at [{at}] mm of the mesh (mount.centre_mm): it then "
            f"reaches {least_mm + wall_mm:.0f} mm"
        )
    needs = (
        f"a frame that clears {math.ceil(least_mm + wall_mm + ROUNDED_MM):d} mm would do, with "
        f"mount.centre_mm = [{at}]"
    )
    room_mm = limit_mm - least_mm - ROUNDED_MM
    if room_mm >= LEAST_WALL_MM:
        needs += f", or a mould wall of {math.floor(room_mm):d} mm there"
    return needs


def check_load(
    casting: Casting,
    cavity: Cavity,
    rig: RigSpec,
    profiles: list[Profile],
    resin_kg: float,
    puddle_kg: float,
) -> dict[str, Any]:
    """Return torque and margin of both axes at the last, heaviest coat. Raises PlanError with the
    axis.

    The poured puddle is uneven at first, so its whole weight is added at the cavity's farthest
    point.
    """
    reach_mm = check_reach(casting, cavity, rig)
    body = carried(casting, cavity, resin_kg)
    if body.mass_kg > rig.payload_limit_kg:
        raise PlanError(
            "mould with resin",
            f"{body.mass_kg:.2f}",
            f"{rig.name} carries {rig.payload_limit_kg:g} kg",
            unit="kg",
            hint=f"a rig for {body.mass_kg:.1f} kg, or a lighter shell",
        )
    frame = (rig.frame_inertia_major_kg_m2, rig.frame_inertia_minor_kg_m2)
    peaks = [peak_torques(body, profile, frame) for profile in profiles]
    puddle = puddle_kg * G_M_S2 * cavity.reach_mm() * 1e-3
    weights = counterweights(body, reach_mm * 1e-3)
    axes: dict[str, Any] = {}
    for index, (name, axis) in enumerate((("major", rig.major), ("minor", rig.minor))):
        torque = max(peak[index] for peak in peaks) + puddle
        margin = _margin(axis, torque)
        axes[name] = {"torque_Nm": round(torque, 3), "motor_margin": round(margin, 2)}
        if margin < rig.torque_margin:
            raise PlanError(
                f"motor margin of the {name} axis",
                f"{margin:.2f}",
                f"{rig.name} asks for {rig.torque_margin:g} (torque {torque:.2f} N m plus friction "
                f"{axis.friction_torque_Nm:g} N m)",
                hint=_relief(name, axis, rig, torque, weights),
            )
    return {
        "mass_kg": round(body.mass_kg, 3),
        "centre_mm": [round(float(x) * 1e3, 2) for x in body.centre_m],
        "reach_mm": round(reach_mm, 1),
        **axes,
        "counterweights": [
            {
                "for_axis": w.axis,
                "mass_g": round(w.mass_kg * 1e3),
                "arm_mm": round(w.arm_m * 1e3),
                "towards": [round(x, 3) for x in w.towards],
            }
            for w in weights
        ],
    }


def _margin(axis: AxisSpec, torque_Nm: float) -> float:
    have = axis.motor_holding_torque_Nm * axis.gear_ratio
    return have / (torque_Nm + axis.friction_torque_Nm)


def _relief(name: str, axis: AxisSpec, rig: RigSpec, torque_Nm: float, weights: Any) -> str:
    need = rig.torque_margin * (torque_Nm + axis.friction_torque_Nm) / axis.gear_ratio
    advice = f"a {name} motor of {need:.2f} N m holding torque would do"
    if weights:
        total = sum(w.mass_kg for w in weights)
        advice += f", or balance it: {total * 1e3:.0f} g at {weights[0].arm_m * 1e3:.0f} mm"
    return advice
