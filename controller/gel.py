"""An online estimate of when the coat gels, from one probe, a resin's sheet and a fingertip.

Temperature shows the reaction, never the gel itself: what a probe can tell is how far and how fast
this batch runs; at which conversion the resin gels comes from the sheet, from earlier batches and
from a person's touch. So the estimate is a band, and 'safe to stop' is kept apart from 'best'.

`begin(case)` then `step(state, event)` for each Row or Touch, both pure. Behind it: a maximum a
posteriori fit (Levenberg-Marquardt, one iteration per refit, warm) of some seventeen parameters to
the whole history so far, with what the sheet says as heavy-tailed pseudo-measurements; two
hypotheses side by side (an ordinary and a delayed-action resin) and their mixture by evidence
(Laplace's approximation, e.g. MacKay 2003, ch. 27). SI throughout: kelvin, seconds, metres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import ndtr

from controller import cure
from controller.cure import COAT, CORE, SHELL, FloatArray, Kinetics, Sheet, Surroundings
from controller.units import ZERO_DEGC_K

What = Literal["cup", "coat"]
Probe = Literal["digital_1wire", "thermocouple_k", "infrared"]


@dataclass(frozen=True, slots=True)
class EarlierBatch:
    """The same resin on another day: its conditions and when a person found it gelled."""

    ambient_K: float
    pour_s: float
    cup_mass_kg: float
    coat_m: float
    wall_m: float
    wall_material: str = "silicone rubber"
    mould_K: float | None = None
    cup_gel_s: float | None = None
    coat_gel_s: float | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """What the user knows before the first reading."""

    sheet: Sheet
    placement: What
    probe: Probe
    coat_m: float
    wall_m: float
    wall_material: str
    pour_s: float
    cup_mass_kg: float | None = None
    mould_K: float | None = None
    probe_in_s: float | None = None
    earlier: tuple[EarlierBatch, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """One reading, time from the moment the two parts met. None: no reading."""

    time_s: float
    probe_K: float | None
    ambient_K: float | None


@dataclass(frozen=True, slots=True)
class Touch:
    """A person found the cup or the coat gelled."""

    what: What
    time_s: float


@dataclass(frozen=True, slots=True)
class GelFault:
    """Kinds: see the outside contract (no_reaction ... probe_out)."""

    kind: str
    at_s: float


@dataclass(frozen=True, slots=True)
class GelEstimate:
    """All of the coat, whatever the probe sits in. Times from the moment the two parts met.

    best_s with a 90 % band low_s..high_s; safe_to_stop_s: only one coat in a hundred gels more
    than 5 % later; probability_gelled: that it has gelled by now; called_s: when it was first safe
    to say so, None until then; curve: the probe as fitted and foreseen, rows of (time_s, K).
    """

    at_s: float
    best_s: float
    low_s: float
    high_s: float
    safe_to_stop_s: float
    probability_gelled: float
    called_s: float | None
    peak_K: float | None
    faults: tuple[GelFault, ...]
    sentence: str
    curve: FloatArray


# The parameters, each scaled so that its prior is about N(0, 1). First those of the resin, which
# earlier batches sharpen, then those of the day.
_RESIN_SD = {
    "rate": 1.0,  # log; loose, because the pot life ties it
    "start": 1.0,  # log
    "activation": 8e3,  # J/mol
    "rise": 0.5,  # log; loose, because the peak or the usual rise ties it
    "order": 0.3,
    "alpha_gel": 0.06,
    "induction": 0.3,  # log
    "coat_bias": 0.08,  # log; how far the coat model is off for this resin
}
_DAY_SD = {
    "batch": 0.12,  # log rate
    "cup_loss": 0.3,  # log
    "cup_mixing": 0.5,  # log
    "start_temp": 2.0,  # K
    "mould_temp": 1.0,  # K, or _UNKNOWN_MOULD_SD_K
    "wall": 0.25,  # log
    "coat": 0.12,  # log
    "offset": 1.0,  # K, by probe
    "gain": 0.05,  # by probe
    "place": 0.3,  # of the way from the cup's shell to its core
}
_NAMES = [*_RESIN_SD, *_DAY_SD]
_AT = {name: i for i, name in enumerate(_NAMES)}
_RESIN = len(_RESIN_SD)
_SIZE = len(_NAMES)
_UNKNOWN_MOULD_SD_K = 3.0

# Offsets: DS18B20 +-0.5 K (data sheet); type K class 2 +-2.5 K as limit (IEC 60584-1), taken as
# two standard deviations; infrared by emissivity and aim, common practice, no source.
_OFFSET_SD_K = {"digital_1wire": 0.3, "thermocouple_k": 1.2, "infrared": 1.5}
_GAIN = {"digital_1wire": (0.97, 0.04), "thermocouple_k": (0.98, 0.04), "infrared": (0.93, 0.06)}
_PLACE = {"digital_1wire": 0.7, "thermocouple_k": 0.8, "infrared": 0.3}
_LAG_S = {"digital_1wire": 20.0, "thermocouple_k": 5.0, "infrared": 2.0}

_SHEET_SD = {"pot_life": 0.10, "heat": 0.12, "ratio": 0.14}  # of logs
_TAIL = 4.0  # degrees of freedom of every heavy tail (Student's t)
_TOUCH_LATE, _TOUCH_SD = 0.02, 0.04  # a finger finds the gel a little late; of logs
_MODEL_SD_K, _MODEL_SD_RISE = 0.25, 0.05  # how well the model follows a probe
_MODEL_MEMORY = 1.0 / 8.0  # pot lives over which its error keeps its sign
_HORIZON_STEPS = 200
_REFIT_EVERY = 1.0 / 80.0  # pot lives
_NUDGE = 0.05
_CALL_Z, _CALL_EARLY = 2.33, 0.05  # one in a hundred more than 5 % early
_BAND_Z = 1.645


@dataclass(frozen=True, slots=True)
class _Prior:
    """Of one hypothesis: rows `tail` @ x + `tail_off` heavy-tailed, `gauss` @ x Gaussian."""

    base: Kinetics
    log_odds: float
    gauss: FloatArray
    gauss_off: FloatArray
    tail: FloatArray
    tail_off: FloatArray


@dataclass(frozen=True, slots=True)
class _Fit:
    """Of one hypothesis: where the fit stands, and what it would try next."""

    x: FloatArray
    trial: FloatArray
    damping: float
    cost: float
    log_gel: float
    log_gel_sd: float
    log_evidence: float
    curve: FloatArray


@dataclass(frozen=True, slots=True)
class GelState:
    """Everything the next step needs. Treat as opaque."""

    case: Case
    priors: tuple[_Prior, ...]
    fits: tuple[_Fit, ...]
    rows: FloatArray  # (N, 3): time_s, probe_K, ambient_K; nan: no reading
    touches: tuple[Touch, ...]
    fitted_s: float
    called_s: float | None
    faults: tuple[GelFault, ...]


def _kinetics(base: Kinetics, x: FloatArray) -> Kinetics:
    """Lanes of kinetics from parameter rows (L, _SIZE)."""

    def p(name: str) -> FloatArray:
        sd = _RESIN_SD.get(name) or _DAY_SD[name]
        return np.asarray(x[:, _AT[name]] * sd)

    return replace(
        base,
        rate_1_s=base.rate_1_s * np.exp(p("rate") + p("batch")),
        start=base.start * np.exp(p("start")),
        activation_J_mol=np.maximum(base.activation_J_mol + p("activation"), 10e3),
        rise_K=base.rise_K * np.exp(p("rise")),
        order=np.clip(base.order + p("order"), 1.0, 3.5),
        alpha_gel=np.clip(base.alpha_gel + p("alpha_gel"), 0.3, 0.9),
        induction_s=base.induction_s * np.exp(p("induction")),
    )


def _surroundings(case: Case, x: FloatArray, ambient_K: float) -> Surroundings:
    day = {name: x[:, _AT[name]] * sd for name, sd in _DAY_SD.items()}
    mould_sd = 1.0 if case.mould_K is not None else _UNKNOWN_MOULD_SD_K
    mould_K = case.mould_K if case.mould_K is not None else ambient_K
    mixed_kg = case.cup_mass_kg or case.sheet.pot_life_mass_kg
    return Surroundings(
        mixed_kg=mixed_kg,
        start_K=ambient_K + day["start_temp"],
        mould_K=mould_K + mould_sd * day["mould_temp"],
        pour_s=case.pour_s,
        coat_m=case.coat_m * np.exp(day["coat"]),
        wall_m=case.wall_m,
        material=cure.wall_material(case.wall_material),
        cup_loss_W_m2K=cure.CUP_LOSS_W_M2K * np.exp(day["cup_loss"]),
        cup_mixing=np.exp(day["cup_mixing"]),
        wall_uptake=np.exp(day["wall"]),
    )


def _with_nudges(x: FloatArray) -> FloatArray:
    """The point and each parameter nudged: (1 + _SIZE, _SIZE)."""
    return np.vstack([x, x + _NUDGE * np.eye(_SIZE)])


def _slopes(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Value (N,) and Jacobian (N, _SIZE) from lanes (N, 1 + _SIZE)."""
    return values[:, 0], (values[:, 1:] - values[:, :1]) / _NUDGE


def _tail_weight(residual: FloatArray) -> FloatArray:
    return (_TAIL + 1.0) / (_TAIL + residual**2)


def _tail_cost(residual: FloatArray) -> float:
    return float(0.5 * (_TAIL + 1.0) * np.log1p(residual**2 / _TAIL).sum())


def _log_crossing(alpha: FloatArray, level: FloatArray, dt_s: float) -> FloatArray:
    """Log of the time at which each column reaches its level, drawn on from the last slope."""
    found = cure.crossing_s(alpha, level, dt_s)
    end_s = (len(alpha) - 1) * dt_s
    slope = np.maximum((alpha[-1] - alpha[-6]) / (5.0 * dt_s), 1e-3 / end_s)
    beyond = end_s + (level - alpha[-1]) / slope
    return np.log(np.where(np.isfinite(found), found, np.maximum(beyond, end_s)))


def _sheet_rows(base: Kinetics, sheet: Sheet) -> tuple[FloatArray, FloatArray]:
    """What the sheet says, as heavy-tailed rows about x = 0."""
    x = _with_nudges(np.zeros(_SIZE))
    x[:, _RESIN:] = 0.0  # the sheet knows no day
    kin = _kinetics(base, x)
    cup_s, peak_K, coat_s = cure.sheet_figures(kin, sheet, lanes=len(x))
    rise = (
        np.log((peak_K - sheet.pot_life_temp_K) / (sheet.peak_K - sheet.pot_life_temp_K))
        if sheet.peak_K is not None
        else np.log(kin.rise_K / base.rise_K) * (_SHEET_SD["heat"] / 0.4)
    )
    values = np.array(
        [
            np.log(cup_s / sheet.pot_life_s) / _SHEET_SD["pot_life"],
            rise / _SHEET_SD["heat"],
            np.log(coat_s / cup_s / cure.coat_over_cup(sheet)) / _SHEET_SD["ratio"],
        ]
    )
    off, rows = _slopes(values)
    return rows, off


def _batch_misfit(
    base: Kinetics, sheet: Sheet, batch: EarlierBatch, x: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Of one earlier batch's touches against parameters (_SIZE,): residuals, Jacobian."""
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
    around = _surroundings(case, lanes, batch.ambient_K)
    kin = _kinetics(base, lanes)
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
    return cup, coat + _RESIN_SD["coat_bias"] * x[:, _AT["coat_bias"]]


def _touch_misfit(touches: Sequence[Touch], cup: FloatArray, coat: FloatArray) -> FloatArray:
    """Whitened, (touches, L)."""
    rows = [
        ((cup if t.what == "cup" else coat) + _TOUCH_LATE - math.log(t.time_s)) / _TOUCH_SD
        for t in touches
    ]
    return np.array(rows).reshape(len(rows), len(cup))


def _memory_rows(prior: _Prior, case: Case) -> tuple[FloatArray, FloatArray]:
    """What earlier batches say of the resin: Gaussian rows in the resin's parameters.

    Gauss-Newton over the resin and each batch's own day; the days are then projected out (QR).
    """
    width = _SIZE - _RESIN
    size = _RESIN + len(case.earlier) * width
    sheet_rows = np.zeros((len(prior.tail), size))
    sheet_rows[:, :_RESIN] = prior.tail[:, :_RESIN]
    x = np.zeros(size)
    for _ in range(6):
        rows, offs = [np.eye(size)], [np.zeros(size)]
        for number, batch in enumerate(case.earlier):
            own = _RESIN + number * width + np.arange(width)
            columns = np.concatenate([np.arange(_RESIN), own])
            misfit, slopes = _batch_misfit(prior.base, case.sheet, batch, x[columns])
            weight = np.sqrt(_tail_weight(misfit))
            row = np.zeros((len(misfit), size))
            row[:, columns] = slopes * weight[:, None]
            rows.append(row)
            offs.append(misfit * weight - row @ x)
        known, known_off = np.vstack(rows), np.concatenate(offs)
        everything = np.vstack([known, sheet_rows])
        target = -np.concatenate([known_off, prior.tail_off])
        x = x + np.clip(np.linalg.lstsq(everything, target)[0] - x, -1.0, 1.0)
    days_first = np.concatenate([np.arange(_RESIN, size), np.arange(_RESIN)])
    stacked = np.column_stack([known[:, days_first], known_off])
    triangle = np.asarray(np.linalg.qr(stacked, mode="r"))[size - _RESIN : size, size - _RESIN :]
    gauss = np.zeros((_RESIN, _SIZE))
    gauss[:, :_RESIN] = triangle[:, :_RESIN]
    return gauss, triangle[:, _RESIN]


def _prior(case: Case, *, snap: bool) -> _Prior:
    base = cure.kinetics_from_sheet(replace(case.sheet, snap=snap))
    tail, tail_off = _sheet_rows(base, replace(case.sheet, snap=snap))
    prior = _Prior(
        base=base,
        log_odds=math.log(0.9 if snap == case.sheet.snap else 0.1),
        gauss=np.eye(_SIZE),
        gauss_off=np.zeros(_SIZE),
        tail=tail,
        tail_off=tail_off,
    )
    if not case.earlier:
        return prior
    resin, resin_off = _memory_rows(prior, case)
    gauss, gauss_off = prior.gauss.copy(), prior.gauss_off.copy()
    gauss[:_RESIN], gauss_off[:_RESIN] = resin, resin_off
    return replace(prior, gauss=gauss, gauss_off=gauss_off)


def begin(case: Case) -> GelState:
    """The state before the first reading. Raises OutsideValidity, NotConverged (of the sheet)."""
    priors = tuple(_prior(case, snap=snap) for snap in (False, True))
    start = np.zeros(_SIZE)
    far = _Fit(start, start, 1.0, math.inf, math.nan, math.nan, 0.0, np.zeros((0, 2)))
    return GelState(
        case=case,
        priors=priors,
        fits=(far,) * len(priors),
        rows=np.zeros((0, 3)),
        touches=(),
        fitted_s=-math.inf,
        called_s=None,
        faults=(),
    )


def _usable(case: Case, rows: FloatArray) -> FloatArray:
    """Which readings may speak of the resin, (N,) of bool."""
    lag_s = _LAG_S[case.probe]
    settled_s = (case.probe_in_s if case.probe_in_s is not None else 0.0) + 10.0 + 4.0 * lag_s
    probe_degC = rows[:, 1] - ZERO_DEGC_K
    power_on = (case.probe == "digital_1wire") & (np.abs(probe_degC - 85.0) < 1e-6)
    with np.errstate(invalid="ignore"):
        sane = (probe_degC > -20.0) & (probe_degC < 250.0)
    return np.asarray(sane & ~power_on & (rows[:, 0] >= settled_s))


def _binned(
    time_s: FloatArray, value: FloatArray, width_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean time, median value and count of every bin that holds a reading."""
    if len(time_s) == 0:
        return time_s, value, value
    edges = np.flatnonzero(np.diff(np.floor(time_s / width_s))) + 1
    parts = np.split(np.arange(len(time_s)), edges)
    return (
        np.array([time_s[part].mean() for part in parts]),
        np.array([np.median(value[part]) for part in parts]),
        np.array([float(len(part)) for part in parts]),
    )


def _ambient(state: GelState, time_s: FloatArray) -> FloatArray:
    """The room at given times: as read so far (smoothed), then as last read."""
    known = state.rows[np.isfinite(state.rows[:, 2])]
    if len(known) == 0:
        mould_K = state.case.mould_K
        return np.full(
            len(time_s), state.case.sheet.pot_life_temp_K if mould_K is None else mould_K
        )
    width_s = max(60.0, state.case.sheet.pot_life_s / 20.0)
    at_s, value, _ = _binned(known[:, 0], known[:, 2], width_s)
    return np.interp(time_s, at_s, value)


def _lanes(parts: Sequence[Kinetics]) -> Kinetics:
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
    )


def _probe_K(case: Case, temps: FloatArray, x: FloatArray, room_K: FloatArray) -> FloatArray:
    """What the probe would read on the step grid, (N + 1, L)."""
    if case.placement == "coat":
        seen = temps[:, COAT]
    else:
        place = np.clip(_PLACE[case.probe] + _DAY_SD["place"] * x[:, _AT["place"]], 0.0, 1.0)
        seen = temps[:, SHELL] + place * (temps[:, CORE] - temps[:, SHELL])
    mean, sd = _GAIN[case.probe]
    if case.placement == "coat":
        mean, sd = mean - 0.05, 2.0 * sd  # half in the wall, half in the air
    gain = mean + sd * x[:, _AT["gain"]]
    room = room_K[:, None]
    return room + gain * (seen - room) + _OFFSET_SD_K[case.probe] * x[:, _AT["offset"]]


def _refit(state: GelState, now_s: float) -> GelState:
    """One Levenberg-Marquardt iteration of every hypothesis, all in one integration."""
    case, pot_s = state.case, state.case.sheet.pot_life_s
    foreseen = [math.exp(fit.log_gel) for fit in state.fits if math.isfinite(fit.log_gel)]
    horizon_s = min(max(2.0 * pot_s, 1.3 * now_s, 1.3 * max(foreseen, default=0.0)), 8.0 * pot_s)
    horizon_s = max(horizon_s, 1.1 * now_s)
    dt_s = horizon_s / _HORIZON_STEPS
    grid_s = np.linspace(0.0, horizon_s, _HORIZON_STEPS + 1)
    room_K = _ambient(state, grid_s)

    points = [_with_nudges(x) for fit in state.fits for x in (fit.x, fit.trial)]
    bases = [prior.base for prior in state.priors for _ in range(2)]
    x = np.vstack(points)
    kin = _lanes([_kinetics(base, part) for base, part in zip(bases, points, strict=True)])
    around = _surroundings(case, x, float(room_K[0]))
    temps, alpha = cure.integrate(kin, around, room_K[:-1], dt_s, len(x))
    log_cup, log_coat = _log_gels(kin, alpha, dt_s, x)
    seen_K = _probe_K(case, temps, x, room_K)

    used = state.rows[_usable(case, state.rows)]
    width_s = max(pot_s / 60.0, dt_s)
    at_s, read_K, count = _binned(used[:, 0], used[:, 1], width_s)
    place = np.minimum((at_s - _LAG_S[case.probe]).clip(0.0) / dt_s, _HORIZON_STEPS - 1e-6)
    low = place.astype(int)
    part = (place - low)[:, None]
    model_K = seen_K[low] * (1.0 - part) + seen_K[low + 1] * part
    rise_K = np.abs(read_K - np.interp(at_s, grid_s, room_K))
    sameness = math.sqrt(max(1.0, _MODEL_MEMORY * pot_s / width_s))
    sd_K = np.hypot(_MODEL_SD_K, _MODEL_SD_RISE * rise_K) * sameness
    data = (model_K - read_K[:, None]) / np.hypot(sd_K, 0.3 / np.sqrt(count))[:, None]
    data = np.vstack([data, _touch_misfit(state.touches, log_cup, log_coat)])

    fits = []
    lanes = 1 + _SIZE
    for number, (fit, prior) in enumerate(zip(state.fits, state.priors, strict=True)):
        ends = []
        for which, point in enumerate((fit.x, fit.trial)):
            own = slice((2 * number + which) * lanes, (2 * number + which + 1) * lanes)
            misfit, slopes = _slopes(data[:, own])
            tails = np.concatenate([misfit, prior.tail_off + prior.tail @ point])
            gauss = prior.gauss_off + prior.gauss @ point
            cost = _tail_cost(tails) + 0.5 * float(gauss @ gauss)
            ends.append((cost, own, point, tails, slopes, gauss))
        better = ends[1][0] < ends[0][0]
        # At rest the trial is as good as the point: that is no reason for caution.
        fine = ends[1][0] < ends[0][0] + 0.01
        damping = float(np.clip(fit.damping * (0.3 if fine else 4.0), 1e-3, 30.0))
        cost, own, point, tails, slopes, gauss = ends[1] if better else ends[0]
        rows = np.vstack([slopes, prior.tail])
        weighted = rows * _tail_weight(tails)[:, None]
        hessian = weighted.T @ rows + prior.gauss.T @ prior.gauss
        gradient = weighted.T @ tails + prior.gauss.T @ gauss
        move = np.linalg.solve(hessian + damping * np.eye(_SIZE), -gradient)
        log_gel, gel_slope = _slopes(log_coat[None, own])
        spread = float(gel_slope[0] @ np.linalg.solve(hessian, gel_slope[0]))
        fits.append(
            _Fit(
                x=point,
                trial=point + np.clip(move, -1.5, 1.5),
                damping=damping,
                cost=cost,
                log_gel=float(log_gel[0]),
                log_gel_sd=math.sqrt(spread),
                log_evidence=prior.log_odds - cost - 0.5 * float(np.linalg.slogdet(hessian)[1]),
                curve=np.column_stack([grid_s, seen_K[:, own.start]]),
            )
        )
    return replace(state, fits=tuple(fits), fitted_s=now_s)


def _odds(fits: Sequence[_Fit]) -> FloatArray:
    evidence = np.array([fit.log_evidence for fit in fits])
    weight = np.exp(evidence - evidence.max())
    return np.asarray(weight / weight.sum())


def _quantile(fits: Sequence[_Fit], odds: FloatArray, probability: float) -> float:
    """Of the log gel time under the mixture, by bisection."""
    mean = np.array([fit.log_gel for fit in fits])
    sd = np.array([fit.log_gel_sd for fit in fits])
    low, high = float((mean - 6.0 * sd).min()), float((mean + 6.0 * sd).max())
    for _ in range(40):
        middle = 0.5 * (low + high)
        if float(odds @ ndtr((middle - mean) / sd)) < probability:
            low = middle
        else:
            high = middle
    return middle


def _estimate(state: GelState, now_s: float) -> tuple[GelState, GelEstimate]:
    odds = _odds(state.fits)

    def at(probability: float) -> float:
        return math.exp(_quantile(state.fits, odds, probability))

    safe_s = at(float(ndtr(_CALL_Z))) * (1.0 - _CALL_EARLY)
    called_s = state.called_s
    if called_s is None and now_s >= safe_s:
        called_s = now_s
    used = state.rows[_usable(state.case, state.rows)]
    best = state.fits[int(np.argmax(odds))]
    mean = np.array([fit.log_gel for fit in state.fits])
    sd = np.array([fit.log_gel_sd for fit in state.fits])
    gelled = float(odds @ ndtr((math.log(max(now_s, 1e-3)) - mean) / sd))
    estimate = GelEstimate(
        at_s=now_s,
        best_s=at(0.5),
        low_s=at(0.05),
        high_s=at(0.95),
        safe_to_stop_s=safe_s,
        probability_gelled=gelled,
        called_s=called_s,
        peak_K=float(used[:, 1].max()) if len(used) else None,
        faults=state.faults,
        sentence="",
        curve=best.curve,
    )
    estimate = replace(estimate, sentence=_sentence(estimate))
    return replace(state, called_s=called_s), estimate


def _sentence(estimate: GelEstimate) -> str:
    """For the person at the frame."""
    if estimate.called_s is not None:
        return "The coat has gelled; it is safe to stop."
    low_min, high_min = (
        max(0.0, (t - estimate.at_s) / 60.0) for t in (estimate.low_s, estimate.high_s)
    )
    stop_min = max(0.0, (estimate.safe_to_stop_s - estimate.at_s) / 60.0)
    if estimate.probability_gelled > 0.5:
        return f"The coat has probably gelled; safe to stop in {stop_min:.0f} min."
    return (
        f"The coat is expected to gel in {low_min:.0f} to {high_min:.0f} min; "
        f"safe to stop in {stop_min:.0f} min."
    )


def step(state: GelState, event: Row | Touch) -> tuple[GelState, GelEstimate]:
    """Take one reading or one touch. Pure; at most one refit, see the bench for its time.

    Events must come in order of time; a touch may be entered later than it happened.
    """
    if isinstance(event, Touch):
        now_s = max(event.time_s, float(state.rows[-1, 0]) if len(state.rows) else 0.0)
        state = replace(state, touches=(*state.touches, event))
        for _ in range(3):
            state = _refit(state, now_s)
        return _estimate(state, now_s)
    reading = [event.time_s, event.probe_K, event.ambient_K]
    row = np.array([np.nan if v is None else v for v in reading], dtype=float)
    state = replace(state, rows=np.vstack([state.rows, row]))
    if event.time_s - state.fitted_s >= state.case.sheet.pot_life_s * _REFIT_EVERY:
        state = _refit(state, event.time_s)
    return _estimate(state, event.time_s)
