"""Priors before the first reading: hypotheses of cure, the sheet's figures, earlier touches.

A sheet and an earlier batch give figures that are nonlinear in the parameters. Each figure is a
heavy-tailed row, linearised about a point, and linearised again when the fit has moved away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp

from evenwall.numerics import cure
from evenwall.numerics.cure import FloatArray, Kinetics, Sheet
from evenwall.numerics.gel.case import Case, EarlierBatch, Kind, Touch
from evenwall.numerics.gel.parameters import (
    OF_RESIN,
    RESIN,
    SIZE,
    TAIL,
    kinetics,
    log_gels,
    slopes,
    surroundings,
    tail_costs,
    tail_weight,
    with_nudges,
)

# The trade's ratio of a coat's gel time to its cup's applies to coats poured as soon as the mix is
# ready; a slow resin takes no longer to get ready (common practice, no source).
_TRADE_POUR_S, _TRADE_POUR_POTS = 120.0, 0.4
SHEET_SD = {"pot_life": 0.10, "heat": 0.12}  # deviations of the logs
# Deviation of the log of the coat's gel time over its cup's. The ratio is a prior, not a constant:
# thickness, heat and wall change it through the heat model. The values 1.5 to 1.7 come from one
# kind of resin in one kind of cup (common practice, no source); other resins and cups have 1.1 to
# 3.5. For a resin without autocatalysis the deviation is a little larger. With 0.5, half way to the
# gel of hot cups that no law fits yet, such a resin predicted coats at 4 to 6 times the gel time of
# their cups.
_RATIO_SD, _RATIO_SD_SECOND = 0.3, 0.35
# Without a peak on the sheet the resin may be a rigid one or an elastomer, with a rise of 25 to 130
# K and more, from memory of the usual castings.
_USUAL_RISE_K, USUAL_RISE_SD = 75.0, 1.0  # the deviation is that of the log
TOUCH_LATE, TOUCH_SD = 0.02, 0.04  # a finger finds the gel a little late; in the log
# An earlier batch's deviation due to its own day follows from the conditions that nobody wrote
# down, see `_day_whitened`. A coat recorded as gelled before its cup is partly a slip of the
# finger: its deviation is larger by this factor.
_EARLIER_SLIP = 2.5
_EARLIER_STEPS = 200

# Share of the way taken at each new linearisation: half at first, because full steps may oscillate
# between two points.
_STRAIGHT_SHARES = (0.5,) * 6 + (1.0,) * 2
_NEAR = 0.2  # largest distance of the resin's parameters from the point of linearisation
_NO_REACTION_ODDS = 0.02
_OTHER_ODDS = 0.03  # odds that a resin is not of its sheet's kind (delayed or not delayed)
_SECOND_ODDS = 0.15  # odds that a resin reacts without autocatalysis


@dataclass(frozen=True, slots=True)
class Prior:
    """Prior of one hypothesis: rows `tail` @ x + `tail_off` heavy-tailed, `gauss` @ x Gaussian.

    straight_at: the parameters about which the tail rows are linearised; ratio_sd: deviation of the
    log of the trade's ratio of coat over cup; white: each earlier batch's matrix, see
    `_day_whitened`.
    """

    kind: Kind
    base: Kinetics
    sheet: Sheet
    earlier: tuple[EarlierBatch, ...]
    straight_at: FloatArray
    ratio_sd: float
    white: tuple[FloatArray, ...]
    reacts: bool
    log_odds: float
    gauss: FloatArray
    gauss_off: FloatArray
    tail: FloatArray
    tail_off: FloatArray

    def log_norm(self) -> float:
        """Half the log determinant of the prior's own curvature, for Laplace's evidence."""
        tails = self.tail.T @ self.tail * ((TAIL + 1.0) / TAIL)
        return 0.5 * float(np.linalg.slogdet(self.gauss.T @ self.gauss + tails)[1])


def sheet_misfit(kin: Kinetics, sheet: Sheet, ratio_sd: float, lanes: int) -> FloatArray:
    """Return each lane's differences from the sheet in pot life, heat and the trade's ratio, in
    standard deviations, (3, lanes).
    """
    pour_s = min(_TRADE_POUR_S, _TRADE_POUR_POTS * sheet.pot_life_s)
    cup_s, peak_K, coat_s = cure.sheet_figures(kin, sheet, lanes=lanes, pour_s=pour_s)
    rise = (
        np.log((peak_K - sheet.pot_life_temp_K) / (sheet.peak_K - sheet.pot_life_temp_K))
        if sheet.peak_K is not None
        else np.log(kin.rise_K / _USUAL_RISE_K) * (SHEET_SD["heat"] / USUAL_RISE_SD)
    )
    return np.array(
        [
            np.log(cup_s / sheet.pot_life_s) / SHEET_SD["pot_life"],
            rise / SHEET_SD["heat"],
            np.log(coat_s / cup_s / cure.coat_over_cup(sheet)) / ratio_sd,
        ]
    )


def touch_misfit(touches: Sequence[Touch], cup: FloatArray, coat: FloatArray) -> FloatArray:
    """Whitened differences of log gels (L,) from the touches, (touches, L)."""
    rows = [
        ((cup if t.what == "cup" else coat) + TOUCH_LATE - math.log(t.time_s)) / TOUCH_SD
        for t in touches
    ]
    return np.array(rows).reshape(len(rows), len(cup))


def _earlier_logs(
    base: Kinetics, sheet: Sheet, batch: EarlierBatch, x: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the logs of the cup's and the coat's gel times, as a finger would find them, of each
    lane (L, SIZE) under the conditions of an earlier batch.
    """
    case = Case(
        sheet=sheet,
        placement="cup",
        probe="digital_1wire",
        coat_m=batch.coat_m,
        wall_m=batch.wall_m,
        wall_material=batch.wall_material,
        pour_s=batch.pour_s,
        cup_mass_kg=batch.cup_mass_kg,
        mould_K=batch.mould_K,
        wall_warmer_K=batch.wall_warmer_K,
    )
    dt_s = 1.5 * max(batch.cup_gel_s or 0.0, batch.coat_gel_s or 0.0) / _EARLIER_STEPS
    ambient = np.full(_EARLIER_STEPS, batch.ambient_K)
    kin = kinetics(base, x)
    around = surroundings(case, x, batch.ambient_K)
    _, alpha = cure.integrate(kin, around, ambient, dt_s, len(x))
    cup, coat = log_gels(kin, alpha, dt_s, x)
    return cup + TOUCH_LATE, coat + TOUCH_LATE


def _figures(batch: EarlierBatch) -> FloatArray:
    """Return the figures that a batch's touches give, (figures, 2) over the logs of cup and coat:
    its cup, and its coat over its cup, which hardly varies between batches.
    """
    if batch.cup_gel_s is None:
        return np.array([[0.0, 1.0]] if batch.coat_gel_s is not None else []).reshape(-1, 2)
    return np.array([[1.0, 0.0], [-1.0, 1.0]] if batch.coat_gel_s is not None else [[1.0, 0.0]])


def _day_whitened(base: Kinetics, sheet: Sheet, batch: EarlierBatch, at: FloatArray) -> FloatArray:
    """Return the lower triangular matrix that makes a batch's figures into deviates of N(0, 1).

    The earlier day is known no better than any day before its first reading. Each of its parameters
    (parameters.DAY_SD) moves cup and coat by its slope at the resin `at` (SIZE,), and each touch
    has its own error. Without a measured mould temperature the ratio is known much less well.
    """
    logs = np.array(_earlier_logs(base, sheet, batch, with_nudges(at * OF_RESIN)))
    moved = slopes(logs)[1][:, RESIN:]
    figures = _figures(batch)
    covariance = figures @ (moved @ moved.T + TOUCH_SD**2 * np.eye(2)) @ figures.T
    if len(figures) == 2 and (batch.coat_gel_s or 0.0) < (batch.cup_gel_s or 0.0):
        covariance[1] *= _EARLIER_SLIP
        covariance[:, 1] *= _EARLIER_SLIP
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def earlier_misfit(
    base: Kinetics, sheet: Sheet, batch: EarlierBatch, white: FloatArray, x: FloatArray
) -> FloatArray:
    """Whitened differences of each lane (L, SIZE) from one earlier batch's touches, on the expected
    day, (figures, L).
    """
    found = np.array([math.log(batch.cup_gel_s or 1.0), math.log(batch.coat_gel_s or 1.0)])
    off = np.array(_earlier_logs(base, sheet, batch, x)) - found[:, None]
    return np.asarray(white @ _figures(batch) @ off)


def told_misfit(prior: Prior, x: FloatArray) -> FloatArray:
    """Whitened differences of resins (L, SIZE) from the sheet, three rows, and earlier touches."""
    rows = [sheet_misfit(kinetics(prior.base, x), prior.sheet, prior.ratio_sd, len(x))]
    rows += [
        earlier_misfit(prior.base, prior.sheet, batch, white, x)
        for batch, white in zip(prior.earlier, prior.white, strict=True)
    ]
    return np.vstack(rows)


def _straight_about(prior: Prior, at: FloatArray) -> Prior | None:
    """Return the prior with the figures of sheet and earlier touches as rows linearised about `at`
    (SIZE,); None where that cannot be computed.
    """
    white = tuple(_day_whitened(prior.base, prior.sheet, b, at) for b in prior.earlier)
    prior = replace(prior, white=white)
    value, rows = slopes(told_misfit(prior, with_nudges(at * OF_RESIN, RESIN)), RESIN)
    off = value - rows @ at
    if not np.isfinite(rows).all() or not np.isfinite(off).all():
        return None
    return replace(prior, tail=rows, tail_off=off, straight_at=at)


def straight_near(prior: Prior, x: FloatArray) -> Prior:
    """Return the prior with its rows linearised about the fit's present point x (SIZE,).

    A resin may be far from the first estimate from its sheet, above all where the sheet states no
    peak: for an elastomer the trade's ratio, linearised about a rigid resin's heat, is too low.
    """
    at = x * OF_RESIN
    if not prior.reacts or float(np.abs(at - prior.straight_at).max()) < _NEAR:
        return prior
    return _straight_about(prior, at) or prior


def mode(prior: Prior) -> FloatArray:
    """Return the likeliest parameters (SIZE,) before any reading, by reweighting the heavy-tailed
    rows."""
    at = np.zeros(SIZE)
    for _ in range(10):
        weight = np.sqrt(tail_weight(prior.tail_off + prior.tail @ at))
        rows = np.vstack([prior.gauss, prior.tail * weight[:, None]])
        off = np.concatenate([prior.gauss_off, prior.tail_off * weight])
        at = np.linalg.lstsq(rows, -off)[0]
    return at


def hypotheses(case: Case) -> tuple[Prior, ...]:
    """Return the hypotheses: an ordinary resin, a delayed one, one of second order, no reaction.

    An earlier batch unlike its sheet makes every resin unlikely, but says nothing about whether
    today's batch reacts. So its cost to the other three is subtracted from the last as well.
    Without this, 'no reaction' had a probability of up to 0.85 before the first reading.

    Raises OutsideValidity or NotConverged for an impossible sheet.
    """
    kinds: tuple[Kind, ...] = ("ordinary", "delayed", "second order")
    reacting = [_straight(_reacting(case, kind)) for kind in kinds]
    told = np.array([_evidence_before(prior) - prior.log_odds for prior in reacting])
    odds = np.array([prior.log_odds for prior in reacting])
    costs = float(logsumexp(told + odds) - logsumexp(odds))
    inert = replace(
        reacting[0],
        base=replace(reacting[0].base, rate_1_s=1e-12),
        reacts=False,
        log_odds=math.log(_NO_REACTION_ODDS) + costs,
        gauss=np.eye(SIZE),
        gauss_off=np.zeros(SIZE),
        tail=np.zeros((0, SIZE)),
        tail_off=np.zeros(0),
    )
    return (*reacting, inert)


def _straight(prior: Prior) -> Prior:
    """Return the prior with its rows linearised about its own mode."""
    for share in _STRAIGHT_SHARES:
        prior = straight_near(prior, prior.straight_at + share * (mode(prior) - prior.straight_at))
    return prior


def _evidence_before(prior: Prior) -> float:
    """Evidence of a hypothesis before the first reading, computed as the fit computes it later."""
    at = mode(prior)
    tails = prior.tail_off + prior.tail @ at
    gauss = prior.gauss_off + prior.gauss @ at
    hessian = (prior.tail.T * tail_weight(tails)) @ prior.tail + prior.gauss.T @ prior.gauss
    cost = float(tail_costs(tails).sum()) + 0.5 * float(gauss @ gauss)
    return prior.log_odds + prior.log_norm() - cost - 0.5 * float(np.linalg.slogdet(hessian)[1])


def _log_odds(kind: Kind, *, snap: bool, learned: bool) -> float:
    """Log of the prior odds of a kind of cure, given whether the sheet says delayed, and whether
    an earlier trace confirmed the sheet's kind.
    """
    second = _OTHER_ODDS if snap or learned else _SECOND_ODDS
    other = "ordinary" if snap else "delayed"
    odds = {"second order": second, other: _OTHER_ODDS}
    return math.log(odds.get(kind, 1.0 - second - _OTHER_ODDS))


def _reacting(case: Case, kind: Kind) -> Prior:
    sheet = replace(case.sheet, snap=kind == "delayed")
    second = kind == "second order"
    ratio_sd = _RATIO_SD_SECOND if second else _RATIO_SD
    prior = Prior(
        kind=kind,
        base=cure.kinetics_from_sheet(sheet, ratio_sd=ratio_sd, second_order=second),
        sheet=sheet,
        earlier=case.earlier,
        straight_at=np.zeros(SIZE),
        ratio_sd=ratio_sd,
        white=(),
        reacts=True,
        log_odds=_log_odds(kind, snap=case.sheet.snap, learned=case.learned is not None),
        gauss=np.eye(SIZE),
        gauss_off=np.zeros(SIZE),
        tail=np.zeros((0, SIZE)),
        tail_off=np.zeros(0),
    )
    prior = _straight_about(prior, prior.straight_at) or prior
    own = "delayed" if case.sheet.snap else "ordinary"
    if case.learned is None or kind != own:
        return prior
    gauss, gauss_off = prior.gauss.copy(), prior.gauss_off.copy()
    gauss[:RESIN, :RESIN], gauss_off[:RESIN] = case.learned.rows, case.learned.off
    return replace(prior, gauss=gauss, gauss_off=gauss_off)
