"""Parameters of the fit, and their effects on the resin, the cup, the coat and the probe.

Each is scaled so that its prior is about N(0, 1). The resin's parameters come first, about which
earlier batches give information, then those of the day. A point is an array (SIZE,), lanes of
points are (L, SIZE).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from evenwall.numerics import cure
from evenwall.numerics.cure import COAT, FloatArray, Kinetics, Surroundings
from evenwall.numerics.gel.case import Case

RESIN_SD = {
    "rate": 1.0,  # log; loose, because the pot life fixes it
    "start": 1.0,  # log
    "activation": 11e3,  # J/mol
    "rise": 1.2,  # log; loose, because the peak or the usual rise fixes it
    "order": 0.3,
    "alpha_gel": 0.05,
    "induction": 0.3,  # log
    "sharpness": 0.35,  # log
    "coat_bias": 0.12,  # log; error of the coat model for this resin
    "own_order": 0.2,
}
DAY_SD = {
    "batch": 0.15,  # log of the factor by which the batch reacts faster, its delay included
    "cup_loss": 0.3,  # log
    "cup_mixing": 0.5,  # log
    "start_temp": 2.0,  # K
    "mould_temp": 1.0,  # K, where it was measured
    "wall": 0.21,  # log of its effusivity, the root of conductivity times heat, 30 % each
    "coat": 0.12,  # log
    "offset": 1.0,  # K, per probe
    "gain": 0.05,  # per probe
    "place": 0.3,  # share of the way from the cup's shell to its core
    "lag": 0.35,  # log
}
NAMES = [*RESIN_SD, *DAY_SD]
AT = {name: i for i, name in enumerate(NAMES)}
RESIN = len(RESIN_SD)
SIZE = len(NAMES)
OF_RESIN = (np.arange(SIZE) < RESIN).astype(float)
OF_RESIN_OR_BATCH = np.array([float(i < RESIN or n == "batch") for i, n in enumerate(NAMES)])

# A mould that nobody measured is as warm as the room's air or a few kelvin colder, since it comes
# from a shelf or the floor (common practice, no source). The figures are the mean and deviation of
# a maker's habit, which moulds measured on earlier days show, and the deviation of a day. Where the
# mould was measured, the habit moves the reading by half a kelvin at most, because the mould may
# have been warmed or may have come in from the cold.
_MOULD_LESS_K, _MOULD_HABIT_SD_K, _MOULD_DAY_SD_K = -0.8, 1.5, 1.2
_MOULD_MOST_K = 0.5
# Deviation of the heat model, as a share of the computed warming of the wall by the coats below:
# over losses of 10 to 30 W/m2 K and four wall materials a third coat gels 14 to 33 % earlier.
_WARMER_SD = 0.2

# Step of a parameter for its slope. A hot cup runs away within a minute or two. A step of 0.05
# shifts that time so far that the secant differs from the slope. Of 118 rigid cups, 40 then stuck
# well away from their best fit; with a step ten times smaller, 11 did. Two of the three coats that
# were not called in time were among those cups.
_NUDGE = 0.002
TAIL = 4.0  # degrees of freedom of every heavy tail (Student's t)


def kinetics(base: Kinetics, x: FloatArray) -> Kinetics:
    """Return lanes of kinetics for parameter rows (L, SIZE)."""

    def p(name: str) -> FloatArray:
        sd = RESIN_SD.get(name) or DAY_SD[name]
        return np.asarray(x[:, AT[name]] * sd)

    return replace(
        base,
        rate_1_s=base.rate_1_s * np.exp(p("rate") + p("batch")),
        start=base.start * np.exp(p("start")),
        activation_J_mol=np.maximum(base.activation_J_mol + p("activation"), 10e3),
        rise_K=base.rise_K * np.exp(p("rise")),
        order=np.clip(base.order + p("order"), 1.0, 3.5),
        alpha_gel=np.clip(base.alpha_gel + p("alpha_gel"), 0.3, 0.9),
        induction_s=base.induction_s * np.exp(p("induction") - p("batch")),
        sharpness=base.sharpness * np.exp(p("sharpness")),
        own_order=np.clip(base.own_order + p("own_order"), 0.3, 2.0),
    )


def surroundings(case: Case, x: FloatArray, ambient_K: float) -> Surroundings:
    """Return lanes of cup, mould and room for parameter rows (L, SIZE)."""
    day = {name: x[:, AT[name]] * sd for name, sd in DAY_SD.items()}
    mould_K, mould_sd_K = _mould(case, ambient_K)
    mixed_kg = case.cup_mass_kg or case.sheet.pot_life_mass_kg
    return Surroundings(
        mixed_kg=mixed_kg,
        start_K=ambient_K + day["start_temp"],
        mould_K=mould_K
        + case.wall_warmer_K
        + math.hypot(mould_sd_K, _WARMER_SD * case.wall_warmer_K) * x[:, AT["mould_temp"]],
        pour_s=case.pour_s,
        coat_m=case.coat_m * np.exp(day["coat"]),
        wall_m=case.wall_m,
        material=cure.wall_material(case.wall_material),
        cup_loss_W_m2K=cure.CUP_LOSS_W_M2K * np.exp(day["cup_loss"]),
        cup_mixing=np.exp(day["cup_mixing"]),
        wall_uptake=np.exp(day["wall"]),
    )


def _mould(case: Case, ambient_K: float) -> tuple[float, float]:
    """Return the mould's temperature at the pour, K, as measured or as this maker's moulds usually
    are, and its standard deviation.
    """
    seen_K = [b.mould_K - b.ambient_K for b in case.earlier if b.mould_K is not None]
    habit, day = _MOULD_HABIT_SD_K**-2, _MOULD_DAY_SD_K**-2
    precision = habit + day * len(seen_K)
    less_K = (habit * _MOULD_LESS_K + day * sum(seen_K)) / precision
    usual_K, usual_sd_K = ambient_K + less_K, math.hypot(precision**-0.5, _MOULD_DAY_SD_K)
    if case.mould_K is None:
        return usual_K, usual_sd_K
    share = 1.0 / (1.0 + (usual_sd_K / DAY_SD["mould_temp"]) ** 2)
    moved_K = float(np.clip(share * (usual_K - case.mould_K), -_MOULD_MOST_K, _MOULD_MOST_K))
    return case.mould_K + moved_K, DAY_SD["mould_temp"]


def joined(parts: Sequence[Kinetics]) -> Kinetics:
    """Return the lanes of several hypotheses side by side."""
    return replace(
        parts[0],
        rate_1_s=np.concatenate([part.rate_1_s for part in parts]),
        start=np.concatenate([part.start for part in parts]),
        activation_J_mol=np.concatenate([part.activation_J_mol for part in parts]),
        rise_K=np.concatenate([part.rise_K for part in parts]),
        order=np.concatenate([part.order for part in parts]),
        alpha_gel=np.concatenate([part.alpha_gel for part in parts]),
        induction_s=np.concatenate([part.induction_s for part in parts]),
        sharpness=np.concatenate([part.sharpness for part in parts]),
        own_order=np.concatenate([part.own_order for part in parts]),
    )


def log_gels(
    kin: Kinetics, alpha: FloatArray, dt_s: float, x: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the logs of the cup's and the coat's gel times, each (L,), of conversions alpha."""
    cup = _log_crossing(cure.cup_mean(alpha), kin.alpha_gel, dt_s)
    coat = _log_crossing(alpha[:, COAT], kin.alpha_gel, dt_s)
    return cup, coat + RESIN_SD["coat_bias"] * x[:, AT["coat_bias"]]


def _log_crossing(alpha: FloatArray, level: FloatArray, dt_s: float) -> FloatArray:
    """Log of the time at which each column reaches its level, extrapolated with the last slope."""
    found = cure.crossing_s(alpha, level, dt_s)
    end_s = (len(alpha) - 1) * dt_s
    slope = np.maximum((alpha[-1] - alpha[-6]) / (5.0 * dt_s), 1e-3 / end_s)
    beyond = end_s + (level - alpha[-1]) / slope
    return np.log(np.where(np.isfinite(found), found, np.maximum(beyond, end_s)))


def with_nudges(x: FloatArray, names: int = SIZE) -> FloatArray:
    """Return the point and each of its first `names` parameters nudged: (1 + names, SIZE)."""
    return np.vstack([x, x + _NUDGE * np.eye(SIZE)[:names]])


def slopes(values: FloatArray, names: int = SIZE) -> tuple[FloatArray, FloatArray]:
    """Return value (N,) and Jacobian (N, SIZE) from lanes (N, 1 + names or more)."""
    jacobian = np.zeros((len(values), SIZE))
    jacobian[:, :names] = (values[:, 1 : 1 + names] - values[:, :1]) / _NUDGE
    return values[:, 0], jacobian


def tail_weight(residual: FloatArray) -> FloatArray:
    """Weight of a heavy-tailed residual in a least-squares step, shape of `residual`."""
    return np.asarray((TAIL + 1.0) / (TAIL + residual**2))


def tail_costs(residual: FloatArray) -> FloatArray:
    """Minus the log likelihood of heavy-tailed residuals, up to a constant."""
    return np.asarray(0.5 * (TAIL + 1.0) * np.log1p(residual**2 / TAIL))
