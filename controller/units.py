"""One place where people's units meet the numerics' SI."""

from __future__ import annotations

import math

ZERO_DEGC_K = 273.15  # definition of the Celsius scale, SI Brochure 9th ed. 2.3.1
G_M_S2 = 9.80665  # standard acceleration of free fall, 3rd CGPM (1901)
R_J_MOLK = 8.31446261815324  # molar gas constant, exact since the 2019 SI (CODATA 2018)
MM_PER_INCH = 25.4  # exact (NIST SP 811, B.8)


def kelvin(temp_degC: float) -> float:
    return temp_degC + ZERO_DEGC_K


def degC(temp_K: float) -> float:
    return temp_K - ZERO_DEGC_K


def rad_s(rate_rpm: float) -> float:
    return rate_rpm * (2.0 * math.pi / 60.0)


def rpm(rate_rad_s: float) -> float:
    return rate_rad_s * (60.0 / (2.0 * math.pi))


def metres(length_mm: float) -> float:
    return length_mm * 1e-3


def millimetres(length_m: float) -> float:
    return length_m * 1e3


def kilograms(mass_g: float) -> float:
    return mass_g * 1e-3


def grams(mass_kg: float) -> float:
    return mass_kg * 1e3


def pascal_seconds(viscosity_mPa_s: float) -> float:
    return viscosity_mPa_s * 1e-3
