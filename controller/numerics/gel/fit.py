"""The fit behind the gel estimate: parameters, priors, memory, Levenberg-Marquardt.

Three hypotheses are fitted side by side, each to the whole history: an ordinary resin, one with
delayed action, and one in which nothing reacts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Literal

import numpy as np
from scipy.interpolate import make_interp_spline
from scipy.linalg import solve_banded
from scipy.special import logsumexp, ndtr

from evenwall.numerics import cure
from evenwall.numerics.cure import COAT, CORE, SHELL, FloatArray, Kinetics, Sheet, Surroundings
from evenwall.numerics.gel.case import Case, EarlierBatch, Learned, Touch

# The parameters, each scaled so that its prior is about N(0, 1). First those of the resin, which
# earlier batches sharpen, then those of the day.
RESIN_SD = {
    "rate": 1.0,  # log; loose, because the pot life ties it
    "start": 1.0,  # log
    "activation": 11e3,  # J/mol
    "rise": 1.2,  # log; loose, because the peak or the usual rise ties it
    "order": 0.3,
    "alpha_gel": 0.05,
    "induction": 0.3,  # log
    "sharpness": 0.35,  # log
    "coat_bias": 0.12,  # log; how far the coat model is off for this resin
    "own_order": 0.2,
}
DAY_SD = {
    "batch": 0.15,  # log; how much faster it runs, delay and all
    "cup_loss": 0.3,  # log
    "cup_mixing": 0.5,  # log
    "start_temp": 2.0,  # K
    "mould_temp": 1.0,  # K, where it was measured
    "wall": 0.21,  # log of its effusivity, the root of conductivity and heat, 30 % each
    "coat": 0.12,  # log
    "offset": 1.0,  # K, by probe
    "gain": 0.05,  # by probe
    "place": 0.3,  # of the way from the cup's shell to its core
    "lag": 0.35,  # log
}
_NAMES = [*RESIN_SD, *DAY_SD]
AT = {name: i for i, name in enumerate(_NAMES)}
_RESIN = len(RESIN_SD)
SIZE = len(_NAMES)
_LANES = SIZE + 3
OF_RESIN = (np.arange(SIZE) < _RESIN).astype(float)
_OF_RESIN_OR_BATCH = np.array([float(i < _RESIN or n == "batch") for i, n in enumerate(_NAMES)])
# A mould that nobody measured is some kelvin colder than the room's air, or as warm, since it comes
# from a shelf or the floor; where it was measured this moves the reading by half a kelvin at most,
# since it may have been warmed or come in from the cold (common practice, no source). With a mean
# of -1.2 and a deviation of 1.5 K rigid cups without it were said 3 % early, seeds 3100 to 3107.
_MOULD_LESS_K, _MOULD_MOST_K = (-1.6, 2.0), 0.5

# Offsets: DS18B20 +-0.5 K (data sheet); type K class 2 +-2.5 K as limit (IEC 60584-1), taken as
# two standard deviations; infrared by emissivity and aim, common practice, no source.
OFFSET_SD_K = {"digital_1wire": 0.3, "thermocouple_k": 1.2, "infrared": 1.5}
_GAIN = {"digital_1wire": (0.97, 0.04), "thermocouple_k": (0.98, 0.04), "infrared": (0.93, 0.06)}
# In the air before it went in, a probe shows its offset from the air's own sensor, but for how
# unlike the air is in two places of a room (common practice, no source); when it went in is known
# to +-10 s. With this a third of the early calls fell away, and 0.9 % of the delay (240 batches).
IN_AIR_SD_K, _IN_ABOUT_S, _IN_AIR_READINGS = 0.3, 15.0, 4
# One that moves by more from the first half of that time to the second (medians of four readings of
# an infrared probe do so by noise alone once in a hundred), or stands off farther than three
# standard deviations, is not at rest in the air, whoever says so: it is in a hand, in the mix, in
# the cup of the coat before.
_IN_AIR_MOVES_K, _IN_AIR_FAR = 0.6, 3.0
_PLACE = {"digital_1wire": 0.7, "thermocouple_k": 0.8, "infrared": 0.3}
LAG_S = {"digital_1wire": 20.0, "thermocouple_k": 5.0, "infrared": 2.0}

# The coats whose gel the trade holds against their cups' were poured when the mix was ready, which
# takes as long for a resin of much patience (common practice, no source).
_TRADE_POUR_S, _TRADE_POUR_POTS = 120.0, 0.4
SHEET_SD = {"pot_life": 0.10, "heat": 0.12}  # of logs
# Of the log of the coat's gel over its cup's: a belief, no constant, which thickness, heat and wall
# move by the heat model. Its 1.5 to 1.7 is one kind of resin in one kind of cup (common practice,
# no source); others have from 1.1 to 3.5. A resin that its catalyst alone drives knows no such
# trade.
_RATIO_SD, _RATIO_SD_SECOND = 0.3, 0.5
# Without a peak on the sheet the resin may be a rigid one or an elastomer: 25 to 130 K and more,
# from memory of the usual castings.
_USUAL_RISE_K, _USUAL_RISE_SD = 75.0, 1.0  # the second of the log
TAIL = 4.0  # degrees of freedom of every heavy tail (Student's t)
_TOUCH_LATE, _TOUCH_SD = 0.02, 0.04  # a finger finds the gel a little late; of logs
# How well the model follows a probe; a coat's few kelvin hang on a wall that is half known.
_MODEL_SD_K = {"cup": 0.25, "coat": 0.3}
MODEL_SD_RISE = 0.05
# How far the coat may be off what the likeliest law and heat path say of it, of the log of its gel,
# early and late: no one law of cure and no one heat path is the resin's own. Less once a coat of
# this resin was found gelled.
_OFF_UNTOUCHED, _OFF_TOUCHED = (0.07, 0.09), (0.05, 0.06)
_OFF_PROBE_BROKEN = 3.0  # times as much where the probe tells nothing any more, or only noise
NOISE_SD_K = 0.3  # of one reading
# A probe that goes in still misses a share of the way from the air, which falls to 1/e in a lag; of
# one that is slower than most, in SETTLES_LAGS. It may come from elsewhere than the air: from the
# shelf, a hand. Before two lags it says too little to be asked.
_USED_LAGS, SETTLES_LAGS, _SETTLES_K = 2.0, 1.3, 1.5
_MODEL_MEMORY = 1.0 / 8.0  # pot lives over which its error keeps its sign
_PROBE_IN_S = 40.0  # after the pour (common practice, no source)
_HORIZON_STEPS = 200  # with 140 a hot cup's gel came 1.1 % late; 0.5 % is left
_MEMORY_ROUNDS, _MEMORY_STEP = 10, 6.0  # a resin unlike its sheet is far from it
# An earlier batch's odd touch may be a slip of the finger or a resin unlike its sheet. The later
# gel of the two stories is believed unless it is this much less likely (log odds): stopping late
# costs minutes.
_DOUBT, _SLIP = 3.0, 4.0
# Of a parameter, for its slope. A hot cup runs away within a minute or two, and 0.05 moves that by
# so much that its secant points elsewhere than the slope: of 118 rigid cups 40 stuck well off their
# best fit, with a tenth of that 11, and two of the three coats not called in time were theirs.
_NUDGE = 0.002
# Making it straight anew, far from where it was first: half the way at first, or it swings to and
# fro between two places.
_SHEET_SHARES = (0.5,) * 6 + (1.0,) * 2
_SHEET_NEAR = 0.2  # how far the resin's parameters may be from where its sheet was made straight
_NORMAL_90 = 1.645  # standard deviations either side hold 90 % of a normal variate
# How likely every gel is, is read off along a line, in standard deviations of it: computed at the
# first, drawn on straight beyond them (a cost no flatter than the second), told at the third.
_ALONG = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
_MIDDLE = len(_ALONG) // 2
_ALONG_FLATTEST = 0.3
_ALONG_TOLD = np.linspace(-6.0, 6.0, 49)
_REACH = (1e-4, 1.0 - 1e-4)  # chances between which gels are told
_NO_REACTION_ODDS = 0.02
_OTHER_ODDS = 0.03  # that a resin is of the kind its sheet denies: delayed, or not
_SECOND_ODDS = 0.15  # that the catalyst alone drives it
Kind = Literal["ordinary", "delayed", "second order"]
TIME, PROBE, AIR, TRUST = range(4)  # columns of the rows; trust, see watch.GOOD


@dataclass(frozen=True, slots=True)
class Prior:
    """Of one hypothesis: rows `tail` @ x + `tail_off` heavy-tailed, `gauss` @ x Gaussian.

    sheet, sheet_at: what the tail rows say, and about which parameters they are straight; ratio_sd:
    how far the trade's ratio of coat over cup may be off, of its log.
    """

    base: Kinetics
    sheet: Sheet
    sheet_at: FloatArray
    ratio_sd: float
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


@dataclass(frozen=True, slots=True)
class Fit:
    """Of one hypothesis: where the fit stands, and what it would try next.

    expected: the parameters before the first reading.
    log_pace: how much later (log) the coat gels than a resin as expected would today.
    line: (SIZE,) where the readings give way most to another gel, one standard deviation of it.
    chances: (N, 2), the chance that the coat gels before a time (log), ascending; nan at first.
    curve: the probe as fitted and foreseen, rows of (time_s, K, half its 90 % band in K).
    """

    expected: FloatArray
    x: FloatArray
    trial: FloatArray
    damping: float
    log_gel: float
    line: FloatArray
    chances: FloatArray
    log_pace: float
    log_pace_sd: float
    log_evidence: float
    curve: FloatArray
    known: FloatArray  # curvature and, last column, slope at x of all but the sheet's word


def kinetics(base: Kinetics, x: FloatArray) -> Kinetics:
    """Lanes of kinetics from parameter rows (L, SIZE)."""

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
    day = {name: x[:, AT[name]] * sd for name, sd in DAY_SD.items()}
    usual_K, mould_sd = ambient_K + _MOULD_LESS_K[0], _MOULD_LESS_K[1]
    mould_K = usual_K
    if case.mould_K is not None:
        share = 1.0 / (1.0 + (mould_sd / DAY_SD["mould_temp"]) ** 2)
        moved_K = float(np.clip(share * (usual_K - case.mould_K), -_MOULD_MOST_K, _MOULD_MOST_K))
        mould_K, mould_sd = case.mould_K + moved_K, DAY_SD["mould_temp"]
    mixed_kg = case.cup_mass_kg or case.sheet.pot_life_mass_kg
    return Surroundings(
        mixed_kg=mixed_kg,
        start_K=ambient_K + day["start_temp"],
        mould_K=mould_K + mould_sd * x[:, AT["mould_temp"]],
        pour_s=case.pour_s,
        coat_m=case.coat_m * np.exp(day["coat"]),
        wall_m=case.wall_m,
        material=cure.wall_material(case.wall_material),
        cup_loss_W_m2K=cure.CUP_LOSS_W_M2K * np.exp(day["cup_loss"]),
        cup_mixing=np.exp(day["cup_mixing"]),
        wall_uptake=np.exp(day["wall"]),
    )


def _with_nudges(x: FloatArray) -> FloatArray:
    """The point and each parameter nudged: (1 + SIZE, SIZE)."""
    return np.vstack([x, x + _NUDGE * np.eye(SIZE)])


def _lanes_of(fit: Fit) -> FloatArray:
    """The point, its nudges, the same day with the resin as expected, the trial, in rows."""
    expected = np.where(_OF_RESIN_OR_BATCH > 0.0, fit.expected, fit.x)
    return np.vstack([_with_nudges(fit.x), expected, fit.trial])


def _slopes(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Value (N,) and Jacobian (N, SIZE) from lanes (N, 1 + SIZE or more)."""
    return values[:, 0], (values[:, 1 : 1 + SIZE] - values[:, :1]) / _NUDGE


def _tail_weight(residual: FloatArray) -> FloatArray:
    return (TAIL + 1.0) / (TAIL + residual**2)


def tail_costs(residual: FloatArray) -> FloatArray:
    return np.asarray(0.5 * (TAIL + 1.0) * np.log1p(residual**2 / TAIL))


def _tail_cost(residual: FloatArray) -> float:
    return float(tail_costs(residual).sum())


def _log_crossing(alpha: FloatArray, level: FloatArray, dt_s: float) -> FloatArray:
    """Log of the time at which each column reaches its level, drawn on from the last slope."""
    found = cure.crossing_s(alpha, level, dt_s)
    end_s = (len(alpha) - 1) * dt_s
    slope = np.maximum((alpha[-1] - alpha[-6]) / (5.0 * dt_s), 1e-3 / end_s)
    beyond = end_s + (level - alpha[-1]) / slope
    return np.log(np.where(np.isfinite(found), found, np.maximum(beyond, end_s)))


def sheet_misfit(kin: Kinetics, sheet: Sheet, ratio_sd: float, lanes: int) -> FloatArray:
    """Pot life, heat and the trade's ratio of each lane off what the sheet says, in standard
    deviations, (3, lanes).
    """
    pour_s = min(_TRADE_POUR_S, _TRADE_POUR_POTS * sheet.pot_life_s)
    cup_s, peak_K, coat_s = cure.sheet_figures(kin, sheet, lanes=lanes, pour_s=pour_s)
    rise = (
        np.log((peak_K - sheet.pot_life_temp_K) / (sheet.peak_K - sheet.pot_life_temp_K))
        if sheet.peak_K is not None
        else np.log(kin.rise_K / _USUAL_RISE_K) * (SHEET_SD["heat"] / _USUAL_RISE_SD)
    )
    return np.array(
        [
            np.log(cup_s / sheet.pot_life_s) / SHEET_SD["pot_life"],
            rise / SHEET_SD["heat"],
            np.log(coat_s / cup_s / cure.coat_over_cup(sheet)) / ratio_sd,
        ]
    )


def _sheet_rows(
    base: Kinetics, sheet: Sheet, ratio_sd: float, at: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What the sheet says, as heavy-tailed rows, straight about the parameters `at` (SIZE,)."""
    x = _with_nudges(at)
    x[:, _RESIN:] = 0.0  # the sheet knows no day
    value, rows = _slopes(sheet_misfit(kinetics(base, x), sheet, ratio_sd, len(x)))
    return rows, value - rows @ at


def sheet_near(prior: Prior, fit: Fit) -> Prior:
    """The prior with its sheet's word straight about where the fit stands.

    A resin may be far from what was first taken from its sheet, above all where the sheet tells no
    peak: of an elastomer the trade's ratio, straight about a rigid resin's heat, asks too little.
    """
    at = fit.x * OF_RESIN
    if not prior.reacts or float(np.abs(at - prior.sheet_at).max()) < _SHEET_NEAR:
        return prior
    tail, tail_off = _sheet_rows(prior.base, prior.sheet, prior.ratio_sd, at)
    if not np.isfinite(tail).all() or not np.isfinite(tail_off).all():
        return prior
    return replace(prior, tail=tail, tail_off=tail_off, sheet_at=at)


def _batch_misfit(
    base: Kinetics, sheet: Sheet, batch: EarlierBatch, x: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Of one earlier batch's touches against parameters (SIZE,): residuals, Jacobian."""
    lanes = _with_nudges(x)
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
    )
    horizon_s = 1.5 * max(batch.cup_gel_s or 0.0, batch.coat_gel_s or 0.0)
    dt_s = horizon_s / _HORIZON_STEPS
    ambient = np.full(_HORIZON_STEPS, batch.ambient_K)
    around = surroundings(case, lanes, batch.ambient_K)
    kin = kinetics(base, lanes)
    _, alpha = cure.integrate(kin, around, ambient, dt_s, len(lanes))
    touches = []
    if batch.cup_gel_s is not None:
        touches.append(Touch("cup", batch.cup_gel_s))
    if batch.coat_gel_s is not None:
        touches.append(Touch("coat", batch.coat_gel_s))
    return _slopes(_touch_misfit(touches, *_log_gels(kin, alpha, dt_s, lanes)))


def _log_gels(
    kin: Kinetics, alpha: FloatArray, dt_s: float, x: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Logs of the cup's and the coat's gel times, each (L,)."""
    cup = _log_crossing(cure.cup_mean(alpha), kin.alpha_gel, dt_s)
    coat = _log_crossing(alpha[:, COAT], kin.alpha_gel, dt_s)
    return cup, coat + RESIN_SD["coat_bias"] * x[:, AT["coat_bias"]]


def _touch_misfit(touches: Sequence[Touch], cup: FloatArray, coat: FloatArray) -> FloatArray:
    """Whitened, (touches, L)."""
    rows = [
        ((cup if t.what == "cup" else coat) + _TOUCH_LATE - math.log(t.time_s)) / _TOUCH_SD
        for t in touches
    ]
    return np.array(rows).reshape(len(rows), len(cup))


@dataclass(frozen=True, slots=True)
class _Told:
    """What earlier touches tell by one reading of them; doubt: the most that one is off, in its
    standard deviations.
    """

    cost: float
    coat_bias: float
    doubt: float
    rows: FloatArray
    off: FloatArray


def _memory_rows(prior: Prior, case: Case) -> tuple[FloatArray, FloatArray]:
    """What earlier batches say of the resin: Gaussian rows in the resin's parameters.

    Gauss-Newton over the resin and each batch's own day; the days are then projected out (QR).
    """
    width = SIZE - _RESIN
    size = _RESIN + len(case.earlier) * width
    sheet_rows = np.zeros((len(prior.tail), size))
    sheet_rows[:, :_RESIN] = prior.tail[:, :_RESIN]
    before, before_off = np.eye(size), np.zeros(size)
    before[:_RESIN, :_RESIN] = prior.gauss[:_RESIN, :_RESIN]
    before_off[:_RESIN] = prior.gauss_off[:_RESIN]

    def searched(trusting: int) -> _Told:
        """The first `trusting` rounds take every touch at its word."""
        x = np.zeros(size)
        for attempt in range(_MEMORY_ROUNDS):
            rows, offs, misfits = [before], [before_off], []
            for number, batch in enumerate(case.earlier):
                own = _RESIN + number * width + np.arange(width)
                columns = np.concatenate([np.arange(_RESIN), own])
                misfit, slopes = _batch_misfit(prior.base, case.sheet, batch, x[columns])
                weight = np.sqrt(_tail_weight(misfit) if attempt >= trusting else 1.0)
                row = np.zeros((len(misfit), size))
                row[:, columns] = (slopes.T * weight).T
                rows.append(row)
                offs.append(misfit * weight - row @ x)
                misfits.append(misfit)
            misfit = np.concatenate(misfits)
            gauss = np.concatenate([before @ x + before_off, sheet_rows @ x + prior.tail_off])
            cost = _tail_cost(misfit) + 0.5 * float(gauss @ gauss)
            known, known_off = np.vstack(rows), np.concatenate(offs)
            everything = np.vstack([known, sheet_rows])
            target = -np.concatenate([known_off, prior.tail_off])
            move = np.linalg.lstsq(everything, target)[0] - x
            x = x + np.clip(move, -_MEMORY_STEP, _MEMORY_STEP)
        return _Told(cost, float(x[AT["coat_bias"]]), float(np.abs(misfit).max()), known, known_off)

    told = searched(trusting=0)
    if told.doubt > _DOUBT:
        other = searched(trusting=_MEMORY_ROUNDS // 2)
        early, late = sorted((told, other), key=attrgetter("coat_bias"))
        told = early if late.cost > early.cost + _SLIP else late
    days_first = np.concatenate([np.arange(_RESIN, size), np.arange(_RESIN)])
    stacked = np.column_stack([told.rows[:, days_first], told.off])
    triangle = np.asarray(np.linalg.qr(stacked, mode="r"))[size - _RESIN : size, size - _RESIN :]
    return triangle[:, :_RESIN], triangle[:, _RESIN]


def hypotheses(case: Case) -> tuple[Prior, ...]:
    """An ordinary resin, a delayed one, and no reaction at all (the last of the three).

    An earlier batch unlike its sheet makes every resin unlikely, but says nothing of whether
    today's reacts: what it costs the other two is taken from the last as well. Without that 'no
    reaction' had up to 0.85 of the odds before the first reading.

    Raises OutsideValidity or NotConverged where the sheet cannot be.
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
    """With its sheet's word straight about its own mode."""
    for share in _SHEET_SHARES:
        fit = unfitted(prior)
        near = prior.sheet_at + share * (fit.x - prior.sheet_at)
        prior = sheet_near(prior, replace(fit, x=near))
    return prior


def _evidence_before(prior: Prior) -> float:
    """The evidence of a hypothesis before the first reading, as _moved reckons it after."""
    fit = unfitted(prior)
    tails = prior.tail_off + prior.tail @ fit.x
    gauss = prior.gauss_off + prior.gauss @ fit.x
    hessian = (prior.tail.T * _tail_weight(tails)) @ prior.tail + prior.gauss.T @ prior.gauss
    cost = _tail_cost(tails) + 0.5 * float(gauss @ gauss)
    return prior.log_odds + prior.log_norm() - cost - 0.5 * float(np.linalg.slogdet(hessian)[1])


def _log_odds(kind: Kind, *, snap: bool, learned: bool) -> float:
    """Log of the prior odds of a kind of cure, given whether the sheet says delayed, and whether
    an earlier trace bore the sheet's kind out.
    """
    second = _OTHER_ODDS if snap or learned else _SECOND_ODDS
    other = "ordinary" if snap else "delayed"
    odds = {"second order": second, other: _OTHER_ODDS}
    return math.log(odds.get(kind, 1.0 - second - _OTHER_ODDS))


def _reacting(case: Case, kind: Kind) -> Prior:
    sheet = replace(case.sheet, snap=kind == "delayed")
    second = kind == "second order"
    ratio_sd = _RATIO_SD_SECOND if second else _RATIO_SD
    base = cure.kinetics_from_sheet(sheet, ratio_sd=ratio_sd, second_order=second)
    tail, tail_off = _sheet_rows(base, sheet, ratio_sd, np.zeros(SIZE))
    prior = Prior(
        base=base,
        sheet=sheet,
        sheet_at=np.zeros(SIZE),
        ratio_sd=ratio_sd,
        reacts=True,
        log_odds=_log_odds(kind, snap=case.sheet.snap, learned=case.learned is not None),
        gauss=np.eye(SIZE),
        gauss_off=np.zeros(SIZE),
        tail=tail,
        tail_off=tail_off,
    )
    own = "delayed" if case.sheet.snap else "ordinary"
    if case.learned is not None and kind == own:
        prior = _with_resin_rows(prior, case.learned.rows, case.learned.off)
    if case.earlier:
        prior = _with_resin_rows(prior, *_memory_rows(prior, case))
    return prior


def _with_resin_rows(prior: Prior, rows: FloatArray, off: FloatArray) -> Prior:
    gauss, gauss_off = prior.gauss.copy(), prior.gauss_off.copy()
    gauss[:_RESIN, :_RESIN], gauss_off[:_RESIN] = rows, off
    return replace(prior, gauss=gauss, gauss_off=gauss_off)


def learned_of(fit: Fit) -> Learned:
    """What a fit knows of the resin beyond its sheet, the day projected out (Schur complement)."""
    curvature, slope = fit.known[:, :-1], fit.known[:, -1]
    resin, day = slice(0, _RESIN), slice(_RESIN, SIZE)
    shed = np.linalg.solve(
        curvature[day, day], np.column_stack([curvature[day, resin], slope[day]])
    )
    left = np.column_stack([curvature[resin, resin], slope[resin]]) - curvature[resin, day] @ shed
    rows = np.linalg.cholesky(left[:, :-1]).T
    off = np.linalg.solve(rows.T, left[:, -1]) - rows @ fit.x[resin]
    return Learned(np.asarray(rows), off)


def unfitted(prior: Prior) -> Fit:
    """At the prior's own mode, by reweighting its heavy-tailed rows."""
    start = np.zeros(SIZE)
    for _ in range(10):
        weight = np.sqrt(_tail_weight(prior.tail_off + prior.tail @ start))
        rows = np.vstack([prior.gauss, prior.tail * weight[:, None]])
        off = np.concatenate([prior.gauss_off, prior.tail_off * weight])
        start = np.linalg.lstsq(rows, -off)[0]
    nothing = np.zeros((SIZE, SIZE + 1))
    return Fit(
        expected=start,
        x=start,
        trial=start,
        damping=1.0,
        log_gel=math.nan,
        line=np.zeros(SIZE),
        chances=np.full((len(_ALONG_TOLD), 2), math.nan),
        log_pace=0.0,
        log_pace_sd=1.0,
        log_evidence=0.0,
        curve=np.zeros((0, 3)),
        known=nothing,
    )


def probe_in_s(case: Case) -> float:
    """By when a probe pressed in by hand is in; soon after the pour, where nobody says when."""
    return 10.0 + (case.pour_s + _PROBE_IN_S if case.probe_in_s is None else case.probe_in_s)


def settled_s(case: Case) -> float:
    """From when it speaks of the resin: four lags later."""
    return probe_in_s(case) + 4.0 * LAG_S[case.probe]


def binned(
    time_s: FloatArray, value: FloatArray, width_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean time, median value and count of every bin that holds a reading; times ascending."""
    if len(time_s) == 0:
        return time_s, value, value
    bins = np.floor(time_s / width_s)
    first = np.flatnonzero(np.concatenate([[True], bins[1:] != bins[:-1]]))
    count = np.diff(np.concatenate([first, [len(bins)]]))
    ranked = value[np.lexsort((value, bins))]
    median = 0.5 * (ranked[first + (count - 1) // 2] + ranked[first + count // 2])
    return np.add.reduceat(time_s, first) / count, median, count.astype(float)


def air_over(case: Case, rows: FloatArray, time_s: FloatArray) -> FloatArray:
    """The room at given times: as read so far (smoothed), then as last read."""
    known = rows[np.isfinite(rows[:, AIR])]
    if len(known) == 0:
        guess = case.sheet.pot_life_temp_K if case.mould_K is None else case.mould_K
        return np.full(len(time_s), guess)
    width_s = max(60.0, case.sheet.pot_life_s / 20.0)
    at_s, value, _ = binned(known[:, TIME], known[:, AIR], width_s)
    return np.interp(time_s, at_s, value)


def joined(parts: Sequence[Kinetics]) -> Kinetics:
    """Kinetics of several hypotheses side by side."""
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


def _lagged(value: FloatArray, lag_s: FloatArray, dt_s: float) -> FloatArray:
    """What follows `value` (N + 1, L) by first order, dy/dt = (value - y)/lag_s (L,), from rest.

    Exact for a value that is straight between the steps.
    """
    follows = np.empty_like(value)
    for lag in np.unique(lag_s):
        own, kept = lag_s == lag, math.exp(-dt_s / lag)
        mean = (1.0 - kept) * lag / dt_s
        at_rest = mean * value[:1, own]
        # y[n] - kept y[n-1] = (1 - mean) x[n] + (mean - kept) x[n-1]: a matrix of two diagonals.
        # scipy.signal.lfilter does the same and takes 0.3 s to import.
        drive = (1.0 - mean) * value[:, own]
        drive[0] += at_rest[0]
        drive[1:] += (mean - kept) * value[:-1, own]
        bands = np.full((2, len(value)), -kept)
        bands[0] = 1.0
        follows[:, own] = solve_banded((1, 0), bands, drive, overwrite_b=True, check_finite=False)
    return follows


def probe_K(
    case: Case, temps: FloatArray, x: FloatArray, room_K: FloatArray, dt_s: float
) -> FloatArray:
    """What the probe would read on the step grid, (N + 1, L), were it in from the start.

    It follows by first order (common practice, no source). In a cup that runs away that is no mere
    delay: with a DS18B20 taken to be 20 s late, quick hot cups' coats were foretold 8 % too early.
    """
    if case.placement == "coat":
        seen = temps[:, COAT]
    else:
        place = np.clip(_PLACE[case.probe] + DAY_SD["place"] * x[:, AT["place"]], 0.0, 1.0)
        seen = temps[:, SHELL] + place * (temps[:, CORE] - temps[:, SHELL])
    mean, sd = _GAIN[case.probe]
    if case.placement == "coat":
        mean, sd = mean - 0.05, 2.0 * sd  # half in the wall, half in the air
    gain = mean + sd * x[:, AT["gain"]]
    room = room_K[:, None]
    lag_s = LAG_S[case.probe] * np.exp(DAY_SD["lag"] * x[:, AT["lag"]])
    read = _lagged(room + gain * (seen - room), lag_s, dt_s)
    return read + OFFSET_SD_K[case.probe] * x[:, AT["offset"]]


def read_off(read_K: FloatArray, dt_s: float, at_s: FloatArray) -> FloatArray:
    """What is known on the step grid, (N + 1, L), at other times (M,): (M, L)."""
    place = np.clip(at_s / dt_s, 0.0, len(read_K) - 1.001)
    low = place.astype(int)
    part = (place - low)[:, None]
    return np.asarray(read_K[low] * (1.0 - part) + read_K[low + 1] * part)


def refit(
    case: Case,
    priors: Sequence[Prior],
    fits: Sequence[Fit],
    rows: FloatArray,
    touches: Sequence[Touch],
    *,
    believed: bool = True,
) -> tuple[Fit, ...]:
    """One Levenberg-Marquardt iteration of every hypothesis, all in one integration.

    rows: (N, 4) of TIME, PROBE, AIR, TRUST. Each hypothesis brings where it stands, with nudged
    neighbours, and where it would go; the better one is kept, with the slopes of the former.
    believed: that the probe still tells of the resin.
    """
    pot_s, now_s = case.sheet.pot_life_s, float(rows[-1, TIME])
    foreseen = [
        math.exp(fit.log_gel)
        for fit, prior in zip(fits, priors, strict=True)
        if prior.reacts and math.isfinite(fit.log_gel)
    ]
    horizon_s = min(max(2.0 * pot_s, 1.3 * max(foreseen, default=0.0)), 8.0 * pot_s)
    horizon_s = max(horizon_s, 1.1 * now_s)
    dt_s = horizon_s / _HORIZON_STEPS
    grid_s = np.linspace(0.0, horizon_s, _HORIZON_STEPS + 1)
    room_K = air_over(case, rows, grid_s)

    def computed(
        points: Sequence[tuple[Prior, FloatArray]],
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of each prior's points (N, SIZE): log gel (L,), probe (N + 1, L), misfits (M, L)."""
        x = np.vstack([at for _, at in points])
        kin = joined([kinetics(prior.base, at) for prior, at in points])
        around = surroundings(case, x, float(room_K[0]))
        temps, alpha = cure.integrate(kin, around, room_K[:-1], dt_s, len(x))
        log_cup, log_coat = _log_gels(kin, alpha, dt_s, x)
        seen_K = probe_K(case, temps, x, room_K, dt_s)
        misfits = [
            _probe_misfit(case, rows, grid_s, seen_K, room_K),
            _air_misfit(case, rows, x),
            _touch_misfit(touches, log_cup, log_coat),
        ]
        return log_coat, seen_K, np.vstack(misfits)

    log_coat, seen_K, data = computed(
        [(prior, _lanes_of(fit)) for prior, fit in zip(priors, fits, strict=True)]
    )
    found = []
    for number, (fit, prior) in enumerate(zip(fits, priors, strict=True)):
        own = slice(number * _LANES, (number + 1) * _LANES)
        if not np.isfinite(np.vstack([data, log_coat])[:, own.start : own.stop - 1]).all():
            # A nudge led where nothing can be computed: what was last known stands.
            damping = min(4.0 * fit.damping, 30.0)
            found.append(replace(fit, trial=fit.x, damping=damping))
            continue
        values, slopes = _slopes(data[:, own])
        stay = _Candidate(prior, fit.x, values, slopes)
        # Where no gel can be computed is nowhere to go, however well the readings are met there.
        there = data[:, own.stop - 1] if np.isfinite(log_coat[own.stop - 1]) else np.inf
        go = _Candidate(prior, fit.trial, np.broadcast_to(there, len(data)), slopes)
        # At rest the trial is as good as the point: that is no reason for caution.
        fine = go.cost < stay.cost + 0.01
        damping = float(np.clip(fit.damping * (0.3 if fine else 4.0), 1e-3, 30.0))
        best, lane = (go, own.stop - 1) if go.cost < stay.cost else (stay, own.start)
        _, slopes = _slopes(np.vstack([log_coat[own], seen_K[:, own]]))
        sd_K = _model_sd_K(case, seen_K[:, lane] - room_K)
        fit = replace(
            fit,
            damping=damping,
            log_gel=float(log_coat[lane]),
            log_pace=float(log_coat[lane] - log_coat[own.stop - 2]),
            curve=np.column_stack([grid_s, seen_K[:, lane], sd_K]),
        )
        found.append(_moved(prior, fit, best, slopes[0], slopes[1:]))

    off = _discrepancy(case, believed=believed)
    reacting = [number for number, prior in enumerate(priors) if prior.reacts]
    lines = [(priors[n], found[n].x + np.outer(_ALONG, found[n].line)) for n in reacting]
    log_coat, _, data = computed(lines)
    for place, (number, (prior, line)) in enumerate(zip(reacting, lines, strict=True)):
        own = slice(place * len(_ALONG), (place + 1) * len(_ALONG))
        fit = found[number]
        costs = [
            _Candidate(prior, x, misfit, data[:0]).cost
            for x, misfit in zip(line, data[:, own].T, strict=True)
        ]
        found[number] = _with_chances(fit, log_coat[own], np.array(costs), off)
    return tuple(found)


def _model_sd_K(case: Case, rise_K: FloatArray) -> FloatArray:
    """How far the model may be off a probe that stands `rise_K` above the room."""
    return np.asarray(np.hypot(_MODEL_SD_K[case.placement], MODEL_SD_RISE * rise_K))


def _probe_misfit(
    case: Case, rows: FloatArray, grid_s: FloatArray, seen_K: FloatArray, room_K: FloatArray
) -> FloatArray:
    """Whitened differences of what the probe would read from what it read, (bins, L).

    A model's error keeps its sign for a while; counting every bin as news would make it sure of
    itself, so each counts for as much less as there are bins in that while. So does what a probe
    on its way in is still short of: of a quick batch there is little else.
    """
    pot_s, dt_s = case.sheet.pot_life_s, float(grid_s[1])
    in_s, lag_s = probe_in_s(case), LAG_S[case.probe]
    used = rows[(rows[:, TRUST] > 0.0) & (rows[:, TIME] >= in_s + _USED_LAGS * lag_s)]
    width_s = max(pot_s / 60.0, dt_s)
    at_s, read_K, count = binned(used[:, TIME], used[:, PROBE], width_s)
    model_K = read_off(seen_K, dt_s, at_s)
    rise_K = read_K - np.interp(at_s, grid_s, room_K)
    sameness = math.sqrt(max(1.0, _MODEL_MEMORY * pot_s / width_s))
    sd_K = _model_sd_K(case, rise_K) * sameness
    noise_K = NOISE_SD_K / np.sqrt(count)
    left = np.exp((in_s - at_s) / (SETTLES_LAGS * lag_s))
    short_K = np.hypot(_SETTLES_K, rise_K) * left / (1.0 - left)
    short_K *= math.sqrt(max(1.0, SETTLES_LAGS * lag_s / width_s))
    off_K = np.sqrt(sd_K**2 + noise_K**2 + short_K**2)
    return np.asarray((model_K - read_K[:, None]) / off_K[:, None])


def shown_off_K(case: Case, rows: FloatArray) -> float | None:
    """By how much the probe stood off the air in which it lay before it went in; None if nobody
    says that it did, or its readings do not.
    """
    if not case.in_air_before or case.probe_in_s is None:
        return None
    before = rows[(rows[:, TRUST] > 0.0) & (rows[:, TIME] < case.probe_in_s - _IN_ABOUT_S)]
    before = before[np.isfinite(before[:, AIR])]
    off_K = before[:, PROBE] - before[:, AIR]
    if len(off_K) < 2 * _IN_AIR_READINGS:
        return None
    half = len(off_K) // 2
    early_K, late_K = float(np.median(off_K[:half])), float(np.median(off_K[half:]))
    read_K = float(np.median(off_K))
    far_K = _IN_AIR_FAR * math.hypot(OFFSET_SD_K[case.probe], IN_AIR_SD_K)
    rests = abs(late_K - early_K) <= _IN_AIR_MOVES_K and abs(read_K) <= far_K
    return read_K if rests else None


def offset_K(case: Case, rows: FloatArray) -> tuple[float, float]:
    """By how much the probe is off, and a standard deviation of that, before any resin is asked."""
    off_K, sd_K = shown_off_K(case, rows), OFFSET_SD_K[case.probe]
    if off_K is None:
        return 0.0, sd_K
    share = 1.0 / (1.0 + (IN_AIR_SD_K / sd_K) ** 2)
    return share * off_K, math.sqrt(share) * IN_AIR_SD_K


def _air_misfit(case: Case, rows: FloatArray, x: FloatArray) -> FloatArray:
    """Whitened, of the probe in the air before it went in, (1, L), or (0, L) if that is unknown."""
    read_K = shown_off_K(case, rows)
    if read_K is None:
        return np.zeros((0, len(x)))
    offset_K = OFFSET_SD_K[case.probe] * x[:, AT["offset"]]
    return np.asarray((offset_K - read_K)[None] / IN_AIR_SD_K)


def _discrepancy(case: Case, *, believed: bool) -> tuple[float, float]:
    """Deviations of the log of the coat's gel, early and late, that no fit of a law tells of.

    believed: that the probe still tells of the resin.
    """
    found = any(batch.coat_gel_s is not None for batch in case.earlier)
    early, late = _OFF_TOUCHED if found else _OFF_UNTOUCHED
    times = 1.0 if believed else _OFF_PROBE_BROKEN
    return times * early, times * late


def _with_chances(
    fit: Fit, log_gels: FloatArray, costs: FloatArray, off: tuple[float, float]
) -> Fit:
    """With how likely every gel is, from what was computed along its line, (len(_ALONG),) each.

    As likely as what the cost rises by there makes it; the volume of what lies beside the line is
    taken as the same all along. Laplace's method takes the line for straight and the cost for a
    parabola (MacKay 2003, ch. 27); but later gels are often explained at less cost than earlier
    ones. Each gel then stands for those that lie `off` of it, early and late, by what the law and
    the heat path leave out.
    """
    if not np.isfinite([log_gels, costs]).all():
        return fit  # what was last known stands
    root = np.sign(_ALONG) * np.sqrt(2.0 * np.maximum(costs - costs[_MIDDLE], 0.0))
    told = np.column_stack([_rising(log_gels, 0.0), _rising(root, _ALONG_FLATTEST)])
    log_gel, root = make_interp_spline(_ALONG, told, k=1)(_ALONG_TOLD).T
    weight = np.exp(-0.5 * root**2)
    weight /= weight.sum()
    first, last = np.interp(_REACH, np.cumsum(weight), log_gel).tolist()
    reach = np.linspace(first, last, len(log_gel))
    told_s = reach + np.linspace(-4.0 * off[0], 4.0 * off[1], len(log_gel))
    apart = told_s[:, None] - log_gel
    below = 2.0 * off[0] / sum(off) * ndtr(apart / off[0])
    above = 1.0 - 2.0 * off[1] / sum(off) * ndtr(-apart / off[1])
    chance = np.where(apart < 0.0, below, above) @ weight
    return replace(fit, chances=np.column_stack([told_s, chance]))


def _rising(values: FloatArray, least: float) -> FloatArray:
    """Values along the line, raised outward from its middle where they rise less steeply."""
    over = values - least * _ALONG
    before = np.minimum.accumulate(over[_MIDDLE::-1])[:0:-1]
    return np.concatenate([before, np.maximum.accumulate(over[_MIDDLE:])]) + least * _ALONG


class _Candidate:
    """A point with its cost and, by its neighbours, its linearisation."""

    def __init__(self, prior: Prior, x: FloatArray, misfit: FloatArray, slopes: FloatArray) -> None:
        self.x = x
        self.tails = np.concatenate([misfit, prior.tail_off + prior.tail @ x])
        self.gauss = prior.gauss_off + prior.gauss @ x
        self.slopes = slopes
        self.cost = _tail_cost(self.tails) + 0.5 * float(self.gauss @ self.gauss)


def _moved(
    prior: Prior,
    fit: Fit,
    best: _Candidate,
    gel_slope: FloatArray,
    seen_slopes: FloatArray,
) -> Fit:
    """The fit at its better candidate, with what is known there and where to go next.

    gel_slope (SIZE,): of the log gel time; seen_slopes (N + 1, SIZE): of the curve.
    """
    rows, tails = np.vstack([best.slopes, prior.tail]), len(prior.tail)
    weighted = rows * _tail_weight(best.tails)[:, None]
    hessian = weighted.T @ rows + prior.gauss.T @ prior.gauss
    gradient = weighted.T @ best.tails + prior.gauss.T @ best.gauss
    move = np.linalg.solve(hessian + fit.damping * np.eye(SIZE), -gradient)
    told = np.vstack([gel_slope, gel_slope * _OF_RESIN_OR_BATCH, seen_slopes])
    given_way = np.linalg.solve(hessian, told.T)
    variance = np.einsum("ij,ji->i", told, given_way)
    curve = fit.curve.copy()
    curve[:, 2] = _NORMAL_90 * np.hypot(curve[:, 2], np.sqrt(variance[2:]))
    return replace(
        fit,
        x=best.x,
        trial=best.x + np.clip(move, -1.5, 1.5),
        line=given_way[:, 0] / math.sqrt(variance[0]),
        log_pace_sd=math.sqrt(variance[1]),
        curve=curve,
        log_evidence=prior.log_odds
        + prior.log_norm()
        - best.cost
        - 0.5 * float(np.linalg.slogdet(hessian)[1]),
        known=np.column_stack(
            [
                hessian - weighted[-tails:].T @ rows[-tails:],
                gradient - weighted[-tails:].T @ best.tails[-tails:],
            ]
        )
        if tails
        else np.column_stack([hessian, gradient]),
    )
