"""Kinetics of a resin, fitted to its sheet."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from evenwall.errors import NotConverged
from evenwall.numerics.cure_law import (
    DEMOULD_AGE,
    WALL_MATERIALS,
    FloatArray,
    Kinetics,
    Sheet,
    Surroundings,
    gel_conversion,
    within,
)
from evenwall.numerics.cure_march import COAT, CORE, crossing_s, cup_mean, integrate
from evenwall.units import ZERO_DEGC_K

# Starting values where a sheet gives none: the usual ranges of urethane and epoxy casting (E 40 to
# 65 kJ/mol; gel between the Flory-Stockmayer values of f = 3 and f = 4 with g = 2, .71 to .58).
_TYPICAL = Kinetics(
    rate_1_s=1e-3,
    start=0.03,
    order=1.8,
    activation_J_mol=50e3,
    ref_K=ZERO_DEGC_K + 23.0,
    rise_K=110.0,
    alpha_gel=gel_conversion(3.45, 2.0),
)
SNAP_INDUCTION = 0.8  # share of the pot life
# A coat gels at about 1.5 to 1.7 times its cup's gel time: common practice, no source. This ratio
# fixes the autocatalytic part of the rate, which a sheet does not state. A delayed-action resin
# depends on its catalyst's delay more than on its heat, so its coat gels sooner after its cup: the
# rate law gives 1.06 to 1.33 for an induction of 0.7 to 0.8 pot lives, pot lives of 7 to 33 min and
# a rise of 40 to 120 K. With 1.28, coats were predicted 5 % late (cupsim, 120 batches).
COAT_OVER_CUP = 1.6
SNAP_COAT_OVER_CUP = 1.2
_REFERENCE_COAT = Surroundings(
    mixed_kg=0.1,
    start_K=ZERO_DEGC_K + 23.0,
    mould_K=ZERO_DEGC_K + 23.0,
    pour_s=0.0,
    coat_m=1.3e-3,
    wall_m=12e-3,
    material=WALL_MATERIALS["silicone rubber"],
)
_SHEET_WINDOW, _SHEET_STEPS = 4.0, 400  # length in pot lives, and steps
_RATIO_OFF = 0.08  # sd of the log of that ratio: twice the range of 1.5 to 1.7
_CATALYST_ALONE = 10.0  # b of the rate law; with it the law is of second order within 4 %


def coat_over_cup(sheet: Sheet) -> float:
    """Return the ratio of a coat's gel time to its cup's that is common practice."""
    return SNAP_COAT_OVER_CUP if sheet.snap else COAT_OVER_CUP


def sheet_figures(
    kin: Kinetics,
    sheet: Sheet,
    around: Surroundings = _REFERENCE_COAT,
    lanes: int = 1,
    pour_s: float | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the gel time (s) and peak (K) of the cup that the sheet describes, and the gel time
    (s) of a coat of it poured early in the same room; each of shape (L,). A gel time above four pot
    lives is returned as four pot lives.

    `around` gives the coat, the wall and the heat losses; pour_s: 0.15 pot lives if None.
    """
    temp_K = sheet.pot_life_temp_K
    window_s = _SHEET_WINDOW * sheet.pot_life_s
    dt_s = window_s / _SHEET_STEPS
    case = replace(
        around,
        mixed_kg=sheet.pot_life_mass_kg,
        start_K=temp_K,
        mould_K=temp_K,
        pour_s=0.15 * sheet.pot_life_s if pour_s is None else pour_s,
    )
    temps, conversions = integrate(kin, case, np.full(_SHEET_STEPS, temp_K), dt_s, lanes)
    cup_s = np.minimum(crossing_s(cup_mean(conversions), kin.alpha_gel, dt_s), window_s)
    coat_s = np.minimum(crossing_s(conversions[:, COAT], kin.alpha_gel, dt_s), window_s)
    return cup_s, temps[:, CORE].max(axis=0), coat_s


def kinetics_from_sheet(
    sheet: Sheet, *, ratio_sd: float = _RATIO_OFF, second_order: bool = False
) -> Kinetics:
    """Return the kinetics with which a cup of the sheet's mass and temperature gels at its pot
    life, and reaches its peak where the sheet states one.

    ratio_sd: standard deviation of the log of the coat's common-practice ratio. second_order: fit a
    resin without autocatalysis, d(alpha)/dt = k (1 - alpha)^2.

    Least squares on the logs of rate, rise and start. The pot life counts as exact, the peak as
    known to 2 %; the coat's common-practice ratio and the usual rise and start are loose. Raises
    NotConverged, or OutsideValidity for a peak that no casting resin's heat explains.
    """
    base = _first_guess(sheet, second_order)
    temp_K = sheet.pot_life_temp_K
    step = 0.02
    nudges = np.vstack([np.zeros(3), step * np.eye(3)])

    def misfit(logs: FloatArray) -> FloatArray:
        """Return the misfit of each row (rate, rise, start), over each figure's tolerance."""
        rate, rise, start = np.exp(logs).T
        kin = replace(base, rate_1_s=rate, rise_K=base.rise_K * rise, start=base.start * start)
        cup_s, peak_K, coat_s = sheet_figures(kin, sheet, lanes=len(logs))
        rows = [
            np.log(cup_s / sheet.pot_life_s) / 3e-3,
            np.log(coat_s / cup_s / coat_over_cup(sheet)) / ratio_sd,
            np.log(rise) / 0.4,
            np.log(start),
        ]
        if sheet.peak_K is not None:
            rows.append(np.log((peak_K - temp_K) / (sheet.peak_K - temp_K)) / 0.02)
        return np.array(rows)

    def misfit_of_one(x: FloatArray) -> FloatArray:
        return misfit(x[None])[:, 0]

    def slopes(x: FloatArray) -> FloatArray:
        values = misfit(x + nudges)
        return (values[:, 1:] - values[:, :1]) / step

    # The rate as if two thirds of the cure came from self-heating: only a start for the search.
    pots = 2.0 / _CATALYST_ALONE if second_order else 8.0 if sheet.snap else 3.0
    first = np.array([math.log(pots / sheet.pot_life_s), 0.0, 0.0])
    from scipy import optimize  # 40 MB, which the process that turns the frame does not load

    found = optimize.least_squares(misfit_of_one, first, jac=slopes, xtol=1e-3)
    rate, rise, start = (float(v) for v in np.exp(found.x))
    kin = replace(base, rise_K=base.rise_K * rise, start=base.start * start)
    pot_life_rate = _rate_of_pot_life(kin, sheet, rate)
    if pot_life_rate is None:
        raise NotConverged("kinetics from the sheet", float(found.fun[0]) * 1e-3, found.nfev)
    within("adiabatic rise behind the peak exotherm", kin.rise_K, 5.0, 400.0, "K")
    age = DEMOULD_AGE if sheet.demould_s is None else sheet.demould_s / sheet.pot_life_s
    return replace(kin, rate_1_s=pot_life_rate, demould_age=age)


def _first_guess(sheet: Sheet, second_order: bool) -> Kinetics:
    """Return a typical resin with the sheet's own figures, from which the search begins."""
    base = replace(
        _TYPICAL,
        ref_K=sheet.pot_life_temp_K,
        density_kg_m3=sheet.density_kg_m3,
        viscosity_Pa_s=sheet.viscosity_Pa_s,
        induction_s=SNAP_INDUCTION * sheet.pot_life_s if sheet.snap else 0.0,
    )
    return replace(base, start=_CATALYST_ALONE, order=2.0) if second_order else base


def _rate_of_pot_life(kin: Kinetics, sheet: Sheet, near_1_s: float) -> float | None:
    """Return the rate with which the cup gels at the pot life; None when there is none nearby.

    The pot life must be met exactly, even where other figures are not, so the rate is interpolated
    in a fine series of rates.
    """
    ladder = near_1_s * np.exp(np.linspace(-1.5, 1.5, 121))
    cup_s = sheet_figures(replace(kin, rate_1_s=ladder), sheet, lanes=len(ladder))[0]
    if not cup_s[-1] < sheet.pot_life_s < cup_s[0]:
        return None
    return float(np.interp(sheet.pot_life_s, cup_s[::-1], ladder[::-1]))
