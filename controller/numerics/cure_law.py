"""The rate law of cure and its quantities: sheet, kinetics, surroundings, viscosity, ages. SI."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from evenwall.errors import OutsideValidity
from evenwall.units import G_M_S2, R_J_MOLK, ZERO_DEGC_K

FloatArray = npt.NDArray[np.float64]
Lane = Any  # a float or an array of shape (L,): numpy broadcasts either
"""One number for all lanes, or one per lane."""
# Typical values of unfilled urethane and epoxy castings near room temperature, from memory of
# handbook ranges (0.15 to 0.25 W/m K; 1.6 to 2.1 kJ/kg K), not checked against a printed table.
RESIN_CONDUCTIVITY_W_MK = 0.20
RESIN_HEAT_J_KGK = 1900.0
# Still air and radiation on a small body give some 4 + 5 W/m2 K. A thin cup wall and a bench reduce
# that. From memory of the usual 5 to 15 W/m2 K for free convection with radiation.
CUP_LOSS_W_M2K = 8.5
MOULD_LOSS_W_M2K = 10.0  # a slowly turning mould in a room
CAVITY_LOSS_W_M2K = 1.5  # through the opening, spread over the whole coat
# Equivalent ages, relative to that at gel: from the first a coat can carry the next one, until the
# second it still bonds to it, and from the third it may leave the mould: common practice, no source
# (about 30 min and 2 h for a resin with a pot life near 10 min and a coat that gels at 16). Age and
# not conversion, because vitrification, which the rate law above leaves out, slows the last part of
# a room-temperature cure.
NEXT_POUR_FROM_AGE = 1.9
NEXT_POUR_UNTIL_AGE = 4.0
DEMOULD_AGE = 7.5

INDUCTION_SHARPNESS = 12.0


@dataclass(frozen=True, slots=True)
class WallMaterial:
    """Thermal properties of the mould's own wall."""

    conductivity_W_mK: float
    density_kg_m3: float
    heat_J_kgK: float


# From memory of makers' and handbook ranges; the estimator allows for 30 % on each.
WALL_MATERIALS = {
    "silicone rubber": WallMaterial(0.25, 1150.0, 1350.0),
    "polyurethane rubber": WallMaterial(0.20, 1050.0, 1800.0),
    "latex": WallMaterial(0.16, 950.0, 1900.0),
    "plaster": WallMaterial(0.45, 1100.0, 1050.0),
    "glass-fibre laminate": WallMaterial(0.25, 1600.0, 1100.0),
    "printed plastic": WallMaterial(0.18, 1150.0, 1600.0),
    "aluminium": WallMaterial(200.0, 2700.0, 900.0),
}


def wall_material(name: str) -> WallMaterial:
    """Return the material of a plain name, or of a part that only one name has ('silicone').

    Raises OutsideValidity for a material that is not listed.
    """
    wanted = name.strip().lower()
    fitting = [known for known in WALL_MATERIALS if wanted and wanted in known]
    if wanted not in WALL_MATERIALS and len(fitting) != 1:
        known = ", ".join(WALL_MATERIALS)
        raise OutsideValidity("mould.material", name, f"must be one of: {known}")
    return WALL_MATERIALS[wanted if wanted in WALL_MATERIALS else fitting[0]]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Data of a resin's data sheet. `b_per_a` is the mass of part B per mass of part A."""

    pot_life_s: float
    pot_life_mass_kg: float
    pot_life_temp_K: float
    viscosity_Pa_s: float
    b_per_a: float
    density_kg_m3: float
    peak_K: float | None = None
    demould_s: float | None = None
    snap: bool = False

    def __post_init__(self) -> None:
        within("sheet.pot_life_s", self.pot_life_s, 30.0, 24 * 3600.0, "s")
        within("sheet.pot_life_mass_kg", self.pot_life_mass_kg, 0.005, 5.0, "kg")
        within_room("sheet.pot_life_temp_K", self.pot_life_temp_K)
        within("sheet.viscosity_Pa_s", self.viscosity_Pa_s, 0.005, 50.0, "Pa s")
        within("sheet.b_per_a", self.b_per_a, 0.005, 50.0, "kg/kg")
        within("sheet.density_kg_m3", self.density_kg_m3, 700.0, 2500.0, "kg/m3")
        if self.peak_K is not None:
            low = self.pot_life_temp_K + 1.0
            within("sheet.peak_K", self.peak_K, low, 600.0, "K")
        if self.demould_s is not None:
            within("sheet.demould_s", self.demould_s, self.pot_life_s, 14 * 86400.0, "s")


@dataclass(frozen=True, slots=True)
class Kinetics:
    """Cure of one resin, or of one resin per lane where a field is an array of shape (L,).

    rate_1_s: k at `ref_K`; start: b; order: n; activation_J_mol: E; rise_K: adiabatic rise, the
    heat of reaction over the specific heat; induction_s: induction time at `ref_K`, 0 for none;
    sharpness: p, how sharply the induction ends; own_order: m, the order in the reacted part.
    """

    rate_1_s: Lane
    start: Lane
    order: Lane
    activation_J_mol: Lane
    ref_K: float
    rise_K: Lane
    alpha_gel: Lane
    induction_s: Lane = 0.0
    sharpness: Lane = INDUCTION_SHARPNESS
    own_order: Lane = 1.0
    density_kg_m3: float = 1080.0
    viscosity_Pa_s: float = 0.6  # of the mix, at ref_K and no conversion
    viscosity_activation_J_mol: float = 40e3
    viscosity_power: float = 1.5
    viscosity_slope: float = 1.0
    demould_age: float = DEMOULD_AGE  # equivalent age at demoulding over that at gel


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Thermal surroundings of a batch. Fields marked Lane may be arrays of shape (L,).

    `mixed_kg` is the mass of resin in the cup. A coat takes its conversion and temperature from
    the cup when it is poured.
    """

    mixed_kg: Lane
    start_K: Lane
    mould_K: Lane
    pour_s: float
    coat_m: Lane
    wall_m: float
    material: WallMaterial
    cup_loss_W_m2K: Lane = CUP_LOSS_W_M2K
    cup_mixing: Lane = 1.0  # factor on the conduction between the cup's core and its shell
    mould_loss_W_m2K: Lane = MOULD_LOSS_W_M2K
    wall_uptake: Lane = 1.0  # factor on the wall's thermal effusivity


@dataclass(frozen=True, slots=True)
class CureHistory:
    """Time, temperature, conversion and viscosity of one body of resin, each of shape (N,).

    Viscosity is infinite from the gel on.
    """

    time_s: FloatArray
    temp_K: FloatArray
    conversion: FloatArray
    viscosity_Pa_s: FloatArray
    alpha_gel: float


def within(field: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:  # also catches nan
        raise OutsideValidity(field, value, f"must be {low:g} to {high:g} {unit}", unit=unit)


def within_room(field: str, temp_K: float) -> None:
    """Check a temperature: the rate constants of room-temperature cure hold from 0 to 60 degC."""
    within(field, temp_K, ZERO_DEGC_K, ZERO_DEGC_K + 60.0, "K")


def gel_conversion(functionality_a: float, functionality_b: float, r: float = 1.0) -> float:
    """Return the conversion at gel, 1/sqrt(r (f-1) (g-1)), of the minority group.

    r: stoichiometric ratio, 0 to 1. Flory 1941, Stockmayer 1943; see Macosko and Miller 1976.
    Raises OutsideValidity where no gel forms (the value would exceed 1).
    """
    within("r", r, 1e-6, 1.0, "")
    branching = r * (functionality_a - 1.0) * (functionality_b - 1.0)
    if branching < 1.0:
        raise OutsideValidity("r (f-1) (g-1)", branching, "must be at least 1, or nothing gels")
    return 1.0 / math.sqrt(branching)


def arrhenius(activation_J_mol: Lane, ref_K: float, temp_K: Lane) -> Lane:
    """Return exp(-E/R (1/T - 1/T_ref)), the rate at `temp_K` over the rate at `ref_K`."""
    return np.exp(activation_J_mol / R_J_MOLK * (1.0 / ref_K - 1.0 / temp_K))


def viscosity_Pa_s(kin: Kinetics, temp_K: FloatArray, conversion: FloatArray) -> FloatArray:
    """Viscosity by Castro and Macosko 1982, Pa s; infinite from the gel on. Shapes broadcast."""
    mu0 = kin.viscosity_Pa_s * arrhenius(-kin.viscosity_activation_J_mol, kin.ref_K, temp_K)
    left = (kin.alpha_gel - conversion) / kin.alpha_gel
    power = kin.viscosity_power + kin.viscosity_slope * conversion
    liquid = left > 0.0
    growth = np.power(np.where(liquid, left, 1.0), -power)
    return np.asarray(np.where(liquid, mu0 * growth, np.inf))


def equivalent_age_s(
    time_s: FloatArray, temp_K: FloatArray, activation_J_mol: float, ref_K: float
) -> FloatArray:
    """Age at `ref_K` that gives the same cure: the integral of the Arrhenius ratio; shape (N,).

    The maturity method of ASTM C1074 (concrete), used here for resin; trapezoidal rule.
    """
    speed = arrhenius(activation_J_mol, ref_K, temp_K)
    parts = 0.5 * (speed[1:] + speed[:-1]) * np.diff(time_s)
    return np.concatenate([[0.0], np.cumsum(parts)])


def dew_point_K(air_K: float, humidity: float) -> float:
    """Dew point by the Magnus form over water, e_s = 6.112 exp(17.62 t/(243.12 + t)) hPa.

    humidity: relative, 0 to 1. Sonntag 1990, as WMO-No. 8 recommends; -45 to 60 degC.
    """
    within("air_K", air_K, ZERO_DEGC_K - 45.0, ZERO_DEGC_K + 60.0, "K")
    within("humidity", humidity, 1e-3, 1.0, "")
    air_degC = air_K - ZERO_DEGC_K
    x = math.log(humidity) + 17.62 * air_degC / (243.12 + air_degC)
    return ZERO_DEGC_K + 243.12 * x / (17.62 - x)


def bubble_rise_m_s(
    diameter_m: float, density_kg_m3: float, viscosity: float, *, clean: bool = False
) -> float:
    """Terminal speed of a bubble: Stokes 1851 (rigid surface) rho g d^2/(18 mu), or Hadamard and
    Rybczynski 1911 (clean surface) rho g d^2/(12 mu). Raises OutsideValidity for Re > 1.
    """
    speed = density_kg_m3 * G_M_S2 * diameter_m**2 / ((12.0 if clean else 18.0) * viscosity)
    reynolds = density_kg_m3 * speed * diameter_m / viscosity
    if reynolds > 1.0:
        raise OutsideValidity("Reynolds number", f"{reynolds:.3g}", "must be at most 1")
    return speed
