"""Cure, viscosity and heat of a two-part resin: in the witness cup and in a coat on a mould wall.

All values are in SI units: kelvin, seconds, kilograms, metres. Conversion runs from 0 to 1. One
integrator serves the planner (one lane) and the gel estimator (many lanes, one parameter set each).

Model and sources
-----------------
Rate       d(alpha)/dt = k(T) (b + alpha^m) (1 - alpha)^n, the Kamal-Sourour law (Kamal and Sourour
           1973, Polym. Eng. Sci. 13:59) with k1 = b k, k2 = k and one Arrhenius constant;
           for large b at constant b k it becomes the n-th order law of Broyer and Macosko 1976.
Induction  a delayed-action catalyst: d(q)/dt = Arrhenius/induction_s, and the rate is multiplied by
           the smooth switch q^p/(1 + q^p). Its sharpness p is our choice, no source.
Gel        alpha_gel = 1/sqrt(r (f-1) (g-1)): Flory 1941, Stockmayer 1943; Macosko and Miller 1976.
Viscosity  Castro and Macosko 1982: mu0(T) [alpha_gel/(alpha_gel - alpha)]^(A + B alpha).
Heat       a squat cup of two nested bodies of resin that lose heat to the room, and a coat on a
           wall of four layers; between steps the linear heat network is solved exactly, and each
           step adds the heat of its own conversion, so energy is conserved to round-off.
"""

from __future__ import annotations

import math

import numpy as np

from evenwall.numerics.cure_law import (
    CAVITY_LOSS_W_M2K,
    CUP_LOSS_W_M2K,
    DEMOULD_AGE,
    INDUCTION_SHARPNESS,
    MOULD_LOSS_W_M2K,
    NEXT_POUR_FROM_AGE,
    NEXT_POUR_UNTIL_AGE,
    RESIN_CONDUCTIVITY_W_MK,
    RESIN_HEAT_J_KGK,
    WALL_MATERIALS,
    CureHistory,
    FloatArray,
    Kinetics,
    Lane,
    Sheet,
    Surroundings,
    WallMaterial,
    arrhenius,
    bubble_rise_m_s,
    dew_point_K,
    equivalent_age_s,
    gel_conversion,
    viscosity_Pa_s,
    wall_material,
    within,
    within_room,
)
from evenwall.numerics.cure_march import (
    COAT,
    CORE,
    SHELL,
    crossing_s,
    cup_mean,
    integrate,
)
from evenwall.numerics.cure_sheet import (
    COAT_OVER_CUP,
    SNAP_COAT_OVER_CUP,
    SNAP_INDUCTION,
    coat_over_cup,
    kinetics_from_sheet,
    sheet_figures,
)

_STEPS = 600  # steps of a planner's history; of second order, see the convergence test


def cup_history(
    kin: Kinetics, mass_kg: float, ambient_K: float, start_K: float, duration_s: float
) -> CureHistory:
    """Return the cup's history: temperature of its core, mean conversion, viscosity at both."""
    within("mass_kg", mass_kg, 0.005, 5.0, "kg")
    within_room("ambient_K", ambient_K)
    within_room("start_K", start_K)
    within("duration_s", duration_s, 1.0, 30 * 86400.0, "s")
    around = Surroundings(
        mass_kg, start_K, ambient_K, 0.0, 1.3e-3, 12e-3, WALL_MATERIALS["silicone rubber"]
    )
    temps, conversions = integrate(kin, around, np.full(_STEPS, ambient_K), duration_s / _STEPS)
    return _history(kin, duration_s, temps[:, CORE, 0], cup_mean(conversions)[:, 0])


def coat_history(
    kin: Kinetics,
    coat_m: float,
    wall_m: float,
    material: str,
    ambient_K: float,
    mould_K: float,
    pour_s: float,
    mixed_kg: float,
    *,
    start_K: float | None = None,
    duration_s: float,
) -> CureHistory:
    """Return the coat's history: in the cup with `mixed_kg` until `pour_s`, then on the wall.

    start_K: temperature of the mixed resin at the start; by default that of the room.
    """
    start_K = ambient_K if start_K is None else start_K
    within("coat_m", coat_m, 0.1e-3, 20e-3, "m")
    within("wall_m", wall_m, 1e-3, 100e-3, "m")
    within("mixed_kg", mixed_kg, 0.005, 5.0, "kg")
    within("pour_s", pour_s, 0.0, duration_s, "s")
    within("duration_s", duration_s, 1.0, 30 * 86400.0, "s")
    for field, temp_K in (("ambient_K", ambient_K), ("mould_K", mould_K), ("start_K", start_K)):
        within_room(field, temp_K)
    around = Surroundings(
        mixed_kg, start_K, mould_K, pour_s, coat_m, wall_m, wall_material(material)
    )
    temps, conversions = integrate(kin, around, np.full(_STEPS, ambient_K), duration_s / _STEPS)
    return _history(kin, duration_s, temps[:, COAT, 0], conversions[:, COAT, 0])


def _history(
    kin: Kinetics, duration_s: float, temp_K: FloatArray, conversion: FloatArray
) -> CureHistory:
    time_s = np.linspace(0.0, duration_s, len(temp_K))
    viscosity = viscosity_Pa_s(kin, temp_K, conversion)
    return CureHistory(time_s, temp_K, conversion, viscosity, float(kin.alpha_gel))


def gel_time_s(history: CureHistory) -> float:
    """Return the time at which the conversion reaches the gel conversion; inf if not within the
    history."""
    return _reaches_s(history, history.alpha_gel)


def _reaches_s(history: CureHistory, alpha: float) -> float:
    dt_s = float(history.time_s[1] - history.time_s[0])
    return float(crossing_s(history.conversion[:, None], alpha, dt_s)[0])


def aged_s(kin: Kinetics, history: CureHistory, age: float) -> float:
    """Return the time at which the equivalent age is `age` times that at gel; inf if not within the
    history."""
    ages = equivalent_age_s(history.time_s, history.temp_K, kin.activation_J_mol, kin.ref_K)
    gel_s = gel_time_s(history)
    if math.isinf(gel_s):
        return math.inf
    wanted = age * float(np.interp(gel_s, history.time_s, ages))
    return float(np.interp(wanted, ages, history.time_s, right=math.inf))


def next_pour_window_s(kin: Kinetics, history: CureHistory) -> tuple[float, float]:
    """Return the time from which a coat can carry the next one, and the time until which the next
    one still bonds to it; inf for a time after the history's end. Common practice, no source, see
    NEXT_POUR_FROM_AGE; never past demoulding.
    """
    from_age = min(NEXT_POUR_FROM_AGE, 0.7 * kin.demould_age)
    until_age = min(NEXT_POUR_UNTIL_AGE, kin.demould_age)
    return aged_s(kin, history, from_age), aged_s(kin, history, until_age)


def demould_s(kin: Kinetics, history: CureHistory) -> float:
    """Return the time from which a coat may leave the mould; inf if not within the history.

    A sheet's demould time is that of a casting in bulk. A thin coat takes longer, by the ratio of
    its gel time to the pot life (common practice, no source).
    """
    return aged_s(kin, history, kin.demould_age)


__all__ = [
    "CAVITY_LOSS_W_M2K",
    "COAT",
    "COAT_OVER_CUP",
    "CORE",
    "CUP_LOSS_W_M2K",
    "DEMOULD_AGE",
    "INDUCTION_SHARPNESS",
    "MOULD_LOSS_W_M2K",
    "NEXT_POUR_FROM_AGE",
    "NEXT_POUR_UNTIL_AGE",
    "RESIN_CONDUCTIVITY_W_MK",
    "RESIN_HEAT_J_KGK",
    "SHELL",
    "SNAP_COAT_OVER_CUP",
    "SNAP_INDUCTION",
    "WALL_MATERIALS",
    "CureHistory",
    "FloatArray",
    "Kinetics",
    "Lane",
    "Sheet",
    "Surroundings",
    "WallMaterial",
    "aged_s",
    "arrhenius",
    "bubble_rise_m_s",
    "coat_history",
    "coat_over_cup",
    "crossing_s",
    "cup_history",
    "cup_mean",
    "demould_s",
    "dew_point_K",
    "equivalent_age_s",
    "gel_conversion",
    "gel_time_s",
    "integrate",
    "kinetics_from_sheet",
    "next_pour_window_s",
    "sheet_figures",
    "viscosity_Pa_s",
    "wall_material",
]
