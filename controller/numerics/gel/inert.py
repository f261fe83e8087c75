"""Test of whether nothing reacts: compares the readings with those of resins like the sheet's.

The fit adapts one resin to the readings and weighs how far its parameters had to move; it can
nearly always adapt a resin to a batch that shows nothing. This test asks the opposite question. A
crowd of resins and days that the sheet may describe is drawn before the first reading: how many of
them would give the probe's readings? Their mean likelihood, over that of the same days without a
reaction, is a Bayes factor (MacKay 2003, ch. 28). The temperatures of mix and mould, the probe's
offset and the model's own error are integrated out of both as normal variates; parameters.py gives
all deviations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from typing import Any

import numpy as np
from scipy.special import logsumexp, ndtri, stdtrit

from evenwall.numerics import cure
from evenwall.numerics.cure import FloatArray, Kinetics
from evenwall.numerics.gel.case import Case
from evenwall.numerics.gel.parameters import (
    AT,
    OF_RESIN,
    RESIN_SD,
    SIZE,
    TAIL,
    joined,
    kinetics,
    surroundings,
    tail_costs,
)
from evenwall.numerics.gel.priors import (
    SHEET_SD,
    USUAL_RISE_SD,
    Prior,
    sheet_misfit,
    told_misfit,
)
from evenwall.numerics.gel.readings import (
    LAG_S,
    MODEL_SD_RISE,
    NOISE_SD_K,
    PROBE,
    SETTLES_LAGS,
    TIME,
    TRUST,
    air_over,
    binned,
    offset_K,
    probe_in_s,
    probe_K,
    read_off,
)

_CROWD, _IDLE, _SEED = 128, 16, 4  # resins that react; days without a reaction
_PACES, _PACE_OFF = 5, 0.03  # rounds of search for a pot life; error left in its log
# Deviation of the log of the heat with a stated peak. Without one it is the prior's own: a narrower
# crowd has no resin as mild as the mildest, and takes one for a batch that does not react.
_HEAT_SD = 0.15
_STEPS = 100  # steps of a history until now
_BINS, _LEAST_BINS = 40, 3  # bins per pot life, and the fewest that are tested
# A probe that was just put in is off by a few kelvin. This error fades with the probe's lag, which
# differs from probe to probe, so readings within the first lag are not used, and those after it
# count less at first.
_SETTLES_K = 3.0
# Error of the model. It is smaller than in the fit, which must follow a hot cup: an inert batch
# stays within a kelvin of the room, and its cooling is off by a share of that, for long (pot
# lives). With 2 % of the sound batches called inert, 61 % of 450 inert cups of delayed resins were
# found, and 87 % of 331 inert coats; with the fit's error 49 and 74 %.
_QUIET_SD_K, _QUIET_MEMORY = 0.1, 0.5


@dataclass(frozen=True, slots=True)
class Crowd:
    """Resins and their days, x (_CROWD + _IDLE + 3, SIZE) as in parameters.py: those that react;
    days without a reaction; and, without a reaction, a usual day, a warmer start and a warmer
    mould. log_weight (_CROWD,): how well each resin agrees with its sheet and with earlier batches.
    """

    kin: Kinetics
    x: FloatArray
    log_weight: FloatArray


@cache
def _draws() -> FloatArray:
    """Return deviates, (_CROWD, SIZE + 1), each column evenly spread: normal ones for the
    parameters, and heavy-tailed ones, as in the fit, for the printed pot life, which may be far
    off.
    """
    rng = np.random.default_rng(_SEED)
    shares = (np.arange(_CROWD) + 0.5) / _CROWD
    columns = [rng.permutation(ndtri(shares)) for _ in range(SIZE)]
    return np.column_stack([*columns, rng.permutation(stdtrit(TAIL, shares))])


def crowd(case: Case, priors: Sequence[Prior]) -> Crowd:
    """Draw the crowd. priors: the kinds of resin that may be in the cup, taken in turn."""
    x = _draws()[:, :SIZE].copy()
    for straight in ("rate", "start_temp", "mould_temp", "offset"):
        x[:, AT[straight]] = 0.0
    x[:, AT["rise"]] *= USUAL_RISE_SD if case.sheet.peak_K is None else _HEAT_SD
    x[:, AT["rise"]] /= RESIN_SD["rise"]
    log_weight = np.empty(_CROWD)
    kinds = []
    for number, prior in enumerate(priors):
        own = slice(number, None, len(priors))
        told_x, log_weight[own] = _to_the_sheet(prior, x[own] * OF_RESIN, _draws()[own, SIZE])
        x[own] = np.where(OF_RESIN > 0.0, told_x, x[own])
        kinds.append((own, kinetics(prior.base, x[own])))
    order = np.argsort(np.concatenate([np.arange(_CROWD)[own] for own, _ in kinds]))
    together = joined([kin for _, kin in kinds])
    by_name = {f.name: getattr(together, f.name) for f in fields(together)}
    in_turn: dict[str, Any] = {
        name: value[order] for name, value in by_name.items() if isinstance(value, np.ndarray)
    }
    reacting = replace(together, **in_turn)
    idle = np.vstack([x[:_IDLE], np.zeros((3, SIZE))])
    idle[-2, AT["start_temp"]] = idle[-1, AT["mould_temp"]] = 1.0
    nothing = replace(priors[0].base, rate_1_s=1e-12)
    kin = joined([reacting, kinetics(nothing, idle)])
    return Crowd(kin, np.vstack([x, idle]), log_weight)


def _to_the_sheet(
    prior: Prior, resins: FloatArray, off: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return resins (N, SIZE) whose time scales are adjusted to the printed pot life, but for the
    sheet's error `off` (N,), and the log of how well each agrees with its sheet and with earlier
    batches.
    """
    for _ in range(_PACES):
        told = sheet_misfit(kinetics(prior.base, resins), prior.sheet, prior.ratio_sd, len(resins))
        late = np.nan_to_num(SHEET_SD["pot_life"] * (told[0] - off))
        resins[:, AT["rate"]] += late / RESIN_SD["rate"]
        resins[:, AT["induction"]] -= late / RESIN_SD["induction"]
    memory = resins @ prior.gauss.T + prior.gauss_off
    log_weight = -tail_costs(told_misfit(prior, resins)[1:]).sum(axis=0)
    log_weight -= 0.5 * ((memory**2).sum(axis=1) - (resins**2).sum(axis=1))
    found = (np.abs(late) < _PACE_OFF) & np.isfinite(log_weight)
    return resins, np.where(found, log_weight, -1e6)


def against_reaction(case: Case, crowd: Crowd, rows: FloatArray) -> float:
    """Return the log of the likelihood ratio of the readings so far (no reaction over a reaction);
    0 while there are few.

    rows: (N, 4), as in fit.refit.
    """
    pot_s, lag_s, now_s = case.sheet.pot_life_s, LAG_S[case.probe], float(rows[-1, TIME])
    in_s = probe_in_s(case)
    used = rows[(rows[:, TRUST] > 0.0) & (rows[:, TIME] >= in_s + lag_s)]
    at_s, read_K, count = binned(used[:, TIME], used[:, PROBE], pot_s / _BINS)
    if len(at_s) < _LEAST_BINS:
        return 0.0

    dt_s = now_s / _STEPS
    grid_s = np.linspace(0.0, now_s, _STEPS + 1)
    room_K = air_over(case, rows, grid_s)
    around = surroundings(case, crowd.x, float(room_K[0]))
    temps, _ = cure.integrate(crowd.kin, around, room_K[:-1], dt_s, len(crowd.x))
    seen_K = read_off(probe_K(case, temps, crowd.x, room_K, dt_s), dt_s, at_s)

    off_K, off_sd_K = offset_K(case, rows)
    settles_K = _SETTLES_K * np.exp((in_s - at_s) / (SETTLES_LAGS * lag_s))
    straight = np.column_stack(
        [seen_K[:, -2:] - seen_K[:, -3:-2], np.full(len(at_s), off_sd_K), settles_K]
    )
    model_K = np.hypot(_QUIET_SD_K, MODEL_SD_RISE * (read_K - np.interp(at_s, grid_s, room_K)))
    apart = np.abs(at_s[:, None] - at_s) / (_QUIET_MEMORY * pot_s)
    covariance = np.diag(NOISE_SD_K**2 / count) + np.outer(model_K, model_K) * np.exp(-apart)
    root = np.linalg.cholesky(covariance + straight @ straight.T)
    far = np.linalg.solve(root, (read_K - off_K)[:, None] - seen_K)
    # A resin that cannot be computed explains nothing.
    likely = np.nan_to_num(-0.5 * (far**2).sum(axis=0), nan=-np.inf)
    reacting = logsumexp(crowd.log_weight + likely[:_CROWD]) - logsumexp(crowd.log_weight)
    return float(logsumexp(likely[_CROWD:-3]) - np.log(_IDLE) - reacting)
