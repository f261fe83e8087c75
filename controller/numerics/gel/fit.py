"""Maximum a posteriori fit of every hypothesis to the whole history so far.

Levenberg-Marquardt with a warm start, one iteration per refit, all hypotheses in one integration.
Each hypothesis contributes its present point, that point's nudged neighbours, and its trial point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import softmax

from evenwall.numerics import cure
from evenwall.numerics.cure import FloatArray
from evenwall.numerics.gel.case import Case, Learned, Touch
from evenwall.numerics.gel.chances import ALONG, TOLD, chances, discrepancy
from evenwall.numerics.gel.parameters import (
    OF_RESIN_OR_BATCH,
    RESIN,
    SIZE,
    joined,
    kinetics,
    log_gels,
    slopes,
    surroundings,
    tail_costs,
    tail_weight,
    with_nudges,
)
from evenwall.numerics.gel.priors import Prior, mode, touch_misfit
from evenwall.numerics.gel.readings import (
    TIME,
    air_misfit,
    air_over,
    model_sd_K,
    probe_K,
    probe_misfit,
)

_LANES = SIZE + 3
_HORIZON_STEPS = 200  # with 140 steps a hot cup's gel was 1.1 % late, with 200 it is 0.5 % late
_NORMAL_90 = 1.645  # 90 % of a normal variate lies within this many standard deviations
_LONGEST_MOVE = 1.5  # largest change of one parameter in one iteration
_DAMPING = (1e-3, 30.0)
_EASED, _DAMPED = 0.3, 4.0  # factors on the damping after a trial that was as good, and a worse one


@dataclass(frozen=True, slots=True)
class Fit:
    """State of the fit of one hypothesis, and its next trial point.

    expected: the parameters before the first reading. log_gel, log_cup: logs of the coat's and the
    cup's gel times (s). log_pace: log of the cup's gel time over that of the expected resin today.
    line: (SIZE,) direction in which the gel changes at the least cost in the readings, one standard
    deviation long. chances: (N, 2), the chance that the coat gels before a time (log), ascending;
    nan at first. curve: the probe as fitted and predicted, rows of (time_s, K, half its 90 % band
    in K). known: curvature at x and, in the last column, slope of every term but the sheet's and
    the touches'.
    """

    expected: FloatArray
    x: FloatArray
    trial: FloatArray
    damping: float
    log_gel: float
    log_cup: float
    log_cup_sd: float
    line: FloatArray
    chances: FloatArray
    log_pace: float
    log_pace_sd: float
    log_evidence: float
    curve: FloatArray
    known: FloatArray


def unfitted(prior: Prior) -> Fit:
    """Return the fit before the first reading, at the prior's mode."""
    start = mode(prior)
    return Fit(
        expected=start,
        x=start,
        trial=start,
        damping=1.0,
        log_gel=math.nan,
        log_cup=math.nan,
        log_cup_sd=1.0,
        line=np.zeros(SIZE),
        chances=np.full((len(TOLD), 2), math.nan),
        log_pace=0.0,
        log_pace_sd=1.0,
        log_evidence=0.0,
        curve=np.zeros((0, 3)),
        known=np.zeros((SIZE, SIZE + 1)),
    )


def learned_of(fit: Fit) -> Learned:
    """Knowledge of the resin beyond its sheet, with the day's parameters projected out (Schur
    complement)."""
    curvature, slope = fit.known[:, :-1], fit.known[:, -1]
    resin, day = slice(0, RESIN), slice(RESIN, SIZE)
    shed = np.linalg.solve(
        curvature[day, day], np.column_stack([curvature[day, resin], slope[day]])
    )
    left = np.column_stack([curvature[resin, resin], slope[resin]]) - curvature[resin, day] @ shed
    rows = np.linalg.cholesky(left[:, :-1]).T
    off = np.linalg.solve(rows.T, left[:, -1]) - rows @ fit.x[resin]
    return Learned(np.asarray(rows), off)


@dataclass(frozen=True, slots=True)
class _Computed:
    """Results of many points, by lane: log gels (L,), probe (N + 1, L), whitened misfits (M, L)."""

    log_cup: FloatArray
    log_coat: FloatArray
    seen_K: FloatArray
    misfits: FloatArray


@dataclass(frozen=True, slots=True)
class _History:
    """The history to which every hypothesis is fitted, on one step grid."""

    case: Case
    rows: FloatArray
    touches: Sequence[Touch]
    grid_s: FloatArray
    room_K: FloatArray

    def computed(self, points: Sequence[tuple[Prior, FloatArray]]) -> _Computed:
        """Integrate each prior's points (N, SIZE), all in one integration."""
        x, dt_s = np.vstack([at for _, at in points]), float(self.grid_s[1])
        kin = joined([kinetics(prior.base, at) for prior, at in points])
        around = surroundings(self.case, x, float(self.room_K[0]))
        temps, alpha = cure.integrate(kin, around, self.room_K[:-1], dt_s, len(x))
        log_cup, log_coat = log_gels(kin, alpha, dt_s, x)
        seen_K = probe_K(self.case, temps, x, self.room_K, dt_s)
        misfits = [
            probe_misfit(self.case, self.rows, self.grid_s, seen_K, self.room_K),
            air_misfit(self.case, self.rows, x),
            touch_misfit(self.touches, log_cup, log_coat),
        ]
        return _Computed(log_cup, log_coat, seen_K, np.vstack(misfits))


def _history(
    case: Case,
    priors: Sequence[Prior],
    fits: Sequence[Fit],
    rows: FloatArray,
    touches: Sequence[Touch],
) -> _History:
    """Return the history so far, on a grid that reaches well past every predicted gel."""
    pot_s, now_s = case.sheet.pot_life_s, float(rows[-1, TIME])
    foreseen = [
        math.exp(fit.log_gel)
        for fit, prior in zip(fits, priors, strict=True)
        if prior.reacts and math.isfinite(fit.log_gel)
    ]
    horizon_s = min(max(2.0 * pot_s, 1.3 * max(foreseen, default=0.0)), 8.0 * pot_s)
    grid_s = np.linspace(0.0, max(horizon_s, 1.1 * now_s), _HORIZON_STEPS + 1)
    return _History(case, rows, touches, grid_s, air_over(case, rows, grid_s))


def refit(
    case: Case,
    priors: Sequence[Prior],
    fits: Sequence[Fit],
    rows: FloatArray,
    touches: Sequence[Touch],
    *,
    believed: bool = True,
) -> tuple[Fit, ...]:
    """Make one Levenberg-Marquardt iteration of every hypothesis.

    rows: (N, 4) of TIME, PROBE, AIR, TRUST. The better of a hypothesis's present and trial points
    is kept, with the slopes of the present one. believed: whether the probe still shows the resin.
    """
    history = _history(case, priors, fits, rows, touches)
    pairs = list(zip(priors, fits, strict=True))
    computed = history.computed([(prior, _lanes_of(fit)) for prior, fit in pairs])
    found = [
        _iterated(history, prior, fit, computed, slice(n * _LANES, (n + 1) * _LANES))
        for n, (prior, fit) in enumerate(pairs)
    ]
    reacting = [number for number, prior in enumerate(priors) if prior.reacts]
    odds = softmax([found[number].log_evidence for number in reacting])
    lines = [(priors[n], found[n].x + np.outer(ALONG, found[n].line)) for n in reacting]
    along = history.computed(lines)
    for place, (number, (prior, line)) in enumerate(zip(reacting, lines, strict=True)):
        own = slice(place * len(ALONG), (place + 1) * len(ALONG))
        nowhere = along.misfits[:0]
        costs = [
            Candidate(prior, x, misfit, nowhere).cost
            for x, misfit in zip(line, along.misfits[:, own].T, strict=True)
        ]
        unlike = float(odds[place]) if prior.kind == "second order" else 0.0
        off = discrepancy(case, unlike, believed=believed)
        told = chances(along.log_coat[own], np.array(costs), off)
        if told is not None:  # otherwise the last known values are kept
            found[number] = replace(found[number], chances=told)
    return tuple(found)


def _lanes_of(fit: Fit) -> FloatArray:
    """Return as rows: the point, its nudges, the same day with the expected resin, the trial."""
    expected = np.where(OF_RESIN_OR_BATCH > 0.0, fit.expected, fit.x)
    return np.vstack([with_nudges(fit.x), expected, fit.trial])


def _iterated(history: _History, prior: Prior, fit: Fit, computed: _Computed, own: slice) -> Fit:
    """Return the fit after one iteration, from its own lanes of the results."""
    data, log_coat = computed.misfits[:, own], computed.log_coat[own]
    log_cup = computed.log_cup[own]
    if not np.isfinite(np.vstack([data, log_coat])[:, :-1]).all():
        # A nudged point could not be computed: the last known values are kept.
        return replace(fit, trial=fit.x, damping=min(_DAMPED * fit.damping, _DAMPING[1]))
    values, data_slopes = slopes(data)
    stay = Candidate(prior, fit.x, values, data_slopes)
    # A trial without a computable gel is refused, however well it fits the readings.
    there = data[:, -1] if np.isfinite(log_coat[-1]) else np.inf
    go = Candidate(prior, fit.trial, np.broadcast_to(there, len(data)), data_slopes)
    # At convergence the trial is as good as the point: that is no reason for more damping.
    fine = go.cost < stay.cost + 0.01
    damping = float(np.clip(fit.damping * (_EASED if fine else _DAMPED), *_DAMPING))
    best, lane = (go, -1) if go.cost < stay.cost else (stay, 0)
    seen_K = computed.seen_K[:, own]
    _, told_slopes = slopes(np.vstack([log_coat, log_cup, seen_K]))
    sd_K = model_sd_K(history.case, seen_K[:, lane] - history.room_K)
    fit = replace(
        fit,
        damping=damping,
        log_gel=float(log_coat[lane]),
        log_cup=float(log_cup[lane]),
        log_pace=float(log_cup[lane] - log_cup[-2]),
        curve=np.column_stack([history.grid_s, seen_K[:, lane], sd_K]),
    )
    return moved(prior, fit, best, told_slopes)


class Candidate:
    """A point with its cost and its linearisation, taken from its neighbours."""

    def __init__(self, prior: Prior, x: FloatArray, misfit: FloatArray, slopes: FloatArray) -> None:
        self.x = x
        self.tails = np.concatenate([misfit, prior.tail_off + prior.tail @ x])
        self.gauss = prior.gauss_off + prior.gauss @ x
        self.slopes = slopes
        self.cost = float(tail_costs(self.tails).sum()) + 0.5 * float(self.gauss @ self.gauss)


def moved(
    prior: Prior,
    fit: Fit,
    best: Candidate,
    told_slopes: FloatArray,
) -> Fit:
    """Return the fit at its better candidate, with its knowledge there and the next trial.

    told_slopes (N + 3, SIZE): slopes of the logs of the coat's and the cup's gel, and of the curve.
    """
    rows, tails = np.vstack([best.slopes, prior.tail]), len(prior.tail)
    weighted = rows * tail_weight(best.tails)[:, None]
    hessian = weighted.T @ rows + prior.gauss.T @ prior.gauss
    gradient = weighted.T @ best.tails + prior.gauss.T @ best.gauss
    move = np.linalg.solve(hessian + fit.damping * np.eye(SIZE), -gradient)
    told = np.vstack([told_slopes, told_slopes[1] * OF_RESIN_OR_BATCH])
    given_way = np.linalg.solve(hessian, told.T)
    variance = np.einsum("ij,ji->i", told, given_way)
    curve = fit.curve.copy()
    curve[:, 2] = _NORMAL_90 * np.hypot(curve[:, 2], np.sqrt(variance[2:-1]))
    first = len(rows) - tails  # first row of the sheet's and the touches' terms
    own_hessian = weighted[first:].T @ rows[first:]
    own_gradient = weighted[first:].T @ best.tails[first:]
    return replace(
        fit,
        x=best.x,
        trial=best.x + np.clip(move, -_LONGEST_MOVE, _LONGEST_MOVE),
        line=np.asarray(given_way[:, 0] / math.sqrt(variance[0])),
        log_cup_sd=math.sqrt(variance[1]),
        log_pace_sd=math.sqrt(variance[-1]),
        curve=curve,
        log_evidence=prior.log_odds
        + prior.log_norm()
        - best.cost
        - 0.5 * float(np.linalg.slogdet(hessian)[1]),
        known=np.column_stack([hessian - own_hessian, gradient - own_gradient]),
    )
