"""The gel estimate, updated by each reading and each touch, without look-ahead."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenwall.numerics.cure import FloatArray
from evenwall.numerics.gel import watch
from evenwall.numerics.gel.asking import touch_window, window_words
from evenwall.numerics.gel.case import (
    Case,
    EarlierBatch,
    FaultKind,
    GelEstimate,
    GelFault,
    Learned,
    Row,
    Touch,
    TouchWindow,
)
from evenwall.numerics.gel.fit import Fit, learned_of, refit, unfitted
from evenwall.numerics.gel.inert import Crowd, against_reaction, crowd
from evenwall.numerics.gel.priors import Prior, hypotheses, straight_near
from evenwall.numerics.gel.readings import AIR, PROBE, TIME, TRUST, binned, settled_s

REFIT_EVERY = 1.0 / 40.0  # pot lives
# Probability with which a coat must have gelled, or gel within 5 % of the time, before it is
# called. Stopping early ruins a coat, stopping late costs minutes. The chance is lower where a coat
# of this resin was touched once, and its cup today, because then only one day's spread is left.
# With the lower chance no more of 55 such coats were lost, and they were called 5 % of the gel time
# sooner (world B, 35 of the half looked at, and D 9620).
_CALL_CHANCE, _CALL_CHANCE_TOUCHED = 0.98, 0.95
_CALL_EARLY = 0.05
# Limits of 'nothing reacts'. The readings are compared with the crowd (inert.py) from half the pot
# life on, and the fault is reported where they are this much likelier without a reaction (log).
# Every comparison may raise a false alarm, so only one has the lower limit: the last one that
# informs a person within three quarters of the pot life. Its limit of three means odds of 20 to 1;
# the limit of four at any other time means 55 to 1. With one batch in fifty truly inert, a sound
# batch passes them less than once in a hundred. Once the fit, twice in a row, gives 'nothing
# reacts' a lower probability than the last of these, the batch has shown that it reacts.
_ASK_FROM, _ASK_AT = 0.5, 0.735  # pot lives
_INERT_AT = 3.0
_INERT_ELSE = 4.0
# A coat gives its heat to its mould: a sound mild one looks nearly inert, and a heat model that is
# off by a few tenths of a kelvin decides. Sound coats reached 6.1 (world D, 9810 and 9812). Of
# eight inert ones (9811, C and D) seven passed this limit of 665 to 1, six within 1.2 pot lives.
_INERT_COAT = 6.5
_REACTS = 0.005
_MAYBE_INERT = 0.2
# No coat is called gelled while the trace gives any evidence against a reaction: this limit is just
# above the prior's own share.
_CALL_INERT = 0.022
_BELIEVED = 0.6  # power of the readings' evidence on which law of cure it is
_COOLS_K, _COOLS_OF_RISE = 1.0, 0.02  # a draught may cool a cup by a hundredth or so of its rise
_PROBE_FAULTS = ("probe_stuck", "probe_lost", "probe_noisy", "probe_out")


@dataclass(frozen=True, slots=True)
class _Times:
    """Gel times of the coat under the mixture of the reacting hypotheses."""

    best_s: float
    low_s: float
    high_s: float
    safe_s: float


@dataclass(frozen=True, slots=True)
class GelState:
    """State that the next step needs. Treat it as opaque."""

    case: Case
    priors: tuple[Prior, ...]
    fits: tuple[Fit, ...]
    rows: FloatArray  # (N, 4), see readings.TIME and its neighbours
    touches: tuple[Touch, ...]
    fitted_s: float
    times: _Times
    called_s: float | None
    faults: tuple[GelFault, ...]
    crowd: Crowd
    blind: bool = False  # a finger has shown that the probe sees nothing of the resin
    inert: float = 0.0  # probability of 'nothing reacts' at the last refit
    reacts: bool = False  # the batch has shown that it reacts


def begin(case: Case) -> GelState:
    """Return the state before the first reading. Raises OutsideValidity, or NotConverged for a
    sheet that cannot be fitted."""
    priors = hypotheses(case)
    return GelState(
        case=case,
        priors=priors,
        fits=tuple(unfitted(prior) for prior in priors),
        rows=np.zeros((0, 4)),
        touches=(),
        fitted_s=-math.inf,
        times=_Times(math.nan, math.nan, math.nan, math.nan),
        called_s=None,
        faults=(),
        crowd=crowd(case, (priors[int(case.sheet.snap)], priors[2])),
    )


def step(state: GelState, event: Row | Touch) -> tuple[GelState, GelEstimate]:
    """Take one reading or one touch. Pure; at most one refit per reading.

    Readings must be in order of time, and the first event must be a reading. A touch may be entered
    after the time of the touch.
    """
    if isinstance(event, Touch):
        if event.what == state.case.placement and _likeliest(state)[1] > _MAYBE_INERT:
            # The resin gelled, and the probe that should be in it has shown no reaction. This needs
            # readings: a quick batch that gels before its probe has settled has none, and then the
            # prior's share and its drift say nothing about the probe.
            state = _set_aside(_named(replace(state, blind=True), "probe_out"), -math.inf)
        # A resin that was found gelled has reacted.
        state = replace(state, touches=(*state.touches, event), reacts=True)
        state = _taken_back(state, "no_reaction")
        for _ in range(3):
            state = _fitted(state)
        if event.what == "coat" and state.called_s is None:
            state = replace(state, called_s=float(state.rows[-1, TIME]))
        return _estimate(state)
    before_s = float(state.rows[-1, TIME]) if len(state.rows) else -math.inf
    state = _read(state, event)
    if before_s < _ASK_AT * state.case.sheet.pot_life_s <= event.time_s:
        state = _asked_whether_inert(state, _INERT_AT)
    if event.time_s - state.fitted_s >= state.case.sheet.pot_life_s * REFIT_EVERY:
        state = _named_by_fit(_fitted(state))
    return _estimate(state)


def faults(state: GelState) -> tuple[GelFault, ...]:
    """Return all faults that were ever reported, in that order."""
    return state.faults


def holding(faults: Sequence[GelFault]) -> tuple[FaultKind, ...]:
    """Return the kinds of fault that are present, in the order in which they were reported."""
    return tuple(fault.kind for fault in faults if fault.over_s is None)


def taken_back(faults: Sequence[GelFault]) -> tuple[FaultKind, ...]:
    """Return the kinds of fault that were reported and are no longer present."""
    holds = holding(faults)
    return tuple(dict.fromkeys(fault.kind for fault in faults if fault.kind not in holds))


def learn(state: GelState) -> Learned | None:
    """Return the trace's knowledge of its resin; None if the resin does not behave like its
    sheet."""
    own = int(state.case.sheet.snap)
    if int(np.argmax(_odds(state.fits))) != own or state.fitted_s < state.case.sheet.pot_life_s:
        return None
    return learned_of(state.fits[own])


def touched_batch(state: GelState) -> EarlierBatch | None:
    """Return this batch as the memory keeps it for the next one; None without a touch."""
    case, found = state.case, {touch.what: touch.time_s for touch in state.touches}
    air = state.rows[np.isfinite(state.rows[:, AIR]), AIR]
    if not found or len(air) == 0:
        return None
    return EarlierBatch(
        ambient_K=float(np.median(air)),
        pour_s=case.pour_s,
        cup_mass_kg=case.cup_mass_kg or case.sheet.pot_life_mass_kg,
        coat_m=case.coat_m,
        wall_m=case.wall_m,
        wall_material=case.wall_material,
        mould_K=case.mould_K,
        wall_warmer_K=case.wall_warmer_K,
        cup_gel_s=found.get("cup"),
        coat_gel_s=found.get("coat"),
    )


def _read(state: GelState, row: Row) -> GelState:
    probe_K, air_K = (math.nan if v is None else v for v in (row.probe_K, row.ambient_K))
    air_K = watch.believed_air_K(air_K)
    trust = watch.trust(state.rows, row.time_s, probe_K, air_K)
    held = holding(state.faults)
    mute = "probe_stuck" in held or ("probe_lost" in held and watch.power_on(probe_K))
    if trust == watch.GOOD and (
        state.blind or "probe_out" in held or (mute and watch.rests(state.rows, probe_K))
    ):
        trust = watch.ASIDE
    new = np.array([row.time_s, probe_K, air_K, trust])
    state = replace(state, rows=np.vstack([state.rows, new]))
    if watch.cold_room(state.rows):
        state = _named(state, "cold_room")
    fault = watch.probe_fault(state.case, state.rows, _likeliest(state)[0].curve)
    if fault is None:
        out_s = [f.at_s for f in state.faults if f.kind == "probe_out" and f.over_s is None]
        if out_s and not state.blind and watch.in_again(state.case, state.rows, out_s[0]):
            state = _taken_back(state, "probe_out")
        if watch.reads_again(state.rows):
            for kind in ("probe_stuck", "probe_lost"):
                state = _taken_back(state, kind)
        return state
    kind, from_s = fault
    if kind == "probe_out" and "probe_noisy" in holding(state.faults):
        return state  # its noise alone may look like that
    return _set_aside(_named(state, kind), from_s)


def _set_aside(state: GelState, from_s: float) -> GelState:
    """Mark the readings after `from_s` as not to be used."""
    rows = state.rows.copy()
    aside = (rows[:, TIME] > from_s) & (rows[:, TRUST] == watch.GOOD)
    rows[aside, TRUST] = watch.ASIDE
    return replace(state, rows=rows)


def _fitted(state: GelState) -> GelState:
    priors = tuple(
        straight_near(prior, fit.x) for prior, fit in zip(state.priors, state.fits, strict=True)
    )
    state = replace(state, priors=priors)
    believed = bool(state.touches) or _probe_believed(state)
    fits = refit(state.case, priors, state.fits, state.rows, state.touches, believed=believed)
    if state.touches:  # a resin that a person found gelled has reacted
        fits = (*fits[:-1], replace(fits[-1], log_evidence=-math.inf))
    odds = _reacting_odds(priors, fits)

    found = bool(state.touches) and any(b.coat_gel_s is not None for b in state.case.earlier)
    chances = np.array([0.5, 0.05, 0.95, _CALL_CHANCE_TOUCHED if found else _CALL_CHANCE])
    best_s, low_s, high_s, call_s = np.exp(_quantiles(fits[:-1], odds, chances)).tolist()
    times = _Times(best_s, low_s, high_s, call_s * (1.0 - _CALL_EARLY))
    return replace(state, fits=fits, fitted_s=float(state.rows[-1, TIME]), times=times)


def _named(state: GelState, kind: FaultKind) -> GelState:
    """Report a fault, unless it holds already. Once the coat is called, nothing depends on the
    probe or the pace any more, and a report could only be wrong.
    """
    if state.called_s is not None or kind in holding(state.faults):
        return state
    return replace(state, faults=(*state.faults, GelFault(kind, float(state.rows[-1, TIME]))))


def _taken_back(state: GelState, kind: FaultKind) -> GelState:
    """Withdraw a fault that holds; the record keeps that it was reported."""
    now_s = float(state.rows[-1, TIME])
    told = tuple(
        replace(fault, over_s=now_s) if fault.kind == kind and fault.over_s is None else fault
        for fault in state.faults
    )
    return replace(state, faults=told)


def _probe_believed(state: GelState) -> bool:
    return not any(kind in _PROBE_FAULTS for kind in holding(state.faults))


def _asked_whether_inert(state: GelState, limit: float) -> GelState:
    if state.reacts or not _probe_believed(state):
        return state
    if state.case.placement == "coat":
        limit = _INERT_COAT
    against = against_reaction(state.case, state.crowd, state.rows)
    return _named(state, "no_reaction") if against > limit else state


def _named_by_fit(state: GelState) -> GelState:
    """Report the batch's faults. They need a probe that is believed."""
    if not _probe_believed(state):
        return state
    best, inert = _likeliest(state)
    if state.fitted_s >= _ASK_FROM * state.case.sheet.pot_life_s:
        if max(inert, state.inert) < _REACTS:
            state = _taken_back(replace(state, reacts=True), "no_reaction")
        state = _asked_whether_inert(replace(state, inert=inert), _INERT_ELSE)
    if "no_reaction" in holding(state.faults) or inert > _MAYBE_INERT:
        return state
    for kind in watch.pace_over(best):
        state = _taken_back(state, kind)
    pace = watch.pace_fault(best)
    return state if pace is None else _named(state, pace)


def _odds(fits: Sequence[Fit]) -> FloatArray:
    evidence = np.array([fit.log_evidence for fit in fits])
    weight = np.exp(evidence - evidence.max())
    return np.asarray(weight / weight.sum())


def _reacting_odds(priors: Sequence[Prior], fits: Sequence[Fit]) -> FloatArray:
    """Odds of the reacting hypotheses, from their prior odds and a power of the readings' evidence.
    No law fits a resin exactly, and while none fits yet, their evidences differ by the laws' errors
    (a power posterior: Gruenwald and van Ommen 2017, Bayesian Analysis 12:1069).
    """
    own = np.array([prior.log_odds for prior in priors[:-1]])
    told = own + _BELIEVED * (np.array([fit.log_evidence for fit in fits[:-1]]) - own)
    weight = np.exp(told - told.max())
    return np.asarray(weight / weight.sum())


def _likeliest(state: GelState) -> tuple[Fit, float]:
    """Return the likeliest reacting fit, and the probability that nothing reacts."""
    odds = _odds(state.fits)
    return state.fits[int(np.argmax(odds[:-1]))], float(odds[-1])


def _chance_before(fits: Sequence[Fit], odds: FloatArray, log_s: FloatArray) -> FloatArray:
    """Chance that the coat gels before these times (log) under the mixture; shape of `log_s`."""
    each = [np.interp(log_s, fit.chances[:, 0], fit.chances[:, 1]) for fit in fits]
    return np.asarray(np.tensordot(odds, each, axes=1))


def _quantiles(fits: Sequence[Fit], odds: FloatArray, chances: FloatArray) -> FloatArray:
    """Quantiles of the log gel time under the mixture; shape of `chances`."""
    log_s = np.sort(np.concatenate([fit.chances[:, 0] for fit in fits]))
    return np.asarray(np.interp(chances, _chance_before(fits, odds, log_s), log_s))


def _estimate(state: GelState) -> tuple[GelState, GelEstimate]:
    now_s = float(state.rows[-1, TIME])
    best, inert = _likeliest(state)
    reacting = state.fits[:-1]
    odds = _reacting_odds(state.priors, state.fits)

    unseen = inert >= _CALL_INERT or "no_reaction" in holding(state.faults)
    if state.called_s is None and now_s >= state.times.safe_s and not unseen:
        state = replace(state, called_s=now_s)
    log_now = np.array(math.log(max(now_s, 1e-3)))
    gelled = float(_chance_before(reacting, odds, log_now)) * (1.0 - inert)
    if any(touch.what == "coat" for touch in state.touches):
        gelled = 1.0
    rows = state.rows
    used = rows[(rows[:, TRUST] > 0.0) & (rows[:, TIME] >= settled_s(state.case))]
    estimate = GelEstimate(
        at_s=now_s,
        best_s=state.times.best_s,
        low_s=state.times.low_s,
        high_s=state.times.high_s,
        safe_to_stop_s=state.times.safe_s,
        probability_gelled=gelled,
        called_s=state.called_s,
        peak_K=float(used[:, PROBE].max()) if len(used) else None,
        faults=state.faults,
        says=(),
        sentence="",
        curve=best.curve,
        touch=_asked_for(state, best, inert, now_s),
    )
    says, sentence = _told(state, estimate, used, inert)
    return state, replace(estimate, says=says, sentence=sentence)


def _asked_for(state: GelState, best: Fit, inert: float, now_s: float) -> TouchWindow | None:
    """Return the touch to ask for; None while it is uncertain whether a cup reacts. A coat that may
    be mild or inert is settled by a touch alone, so it is asked for.
    """
    uncertain = inert > _MAYBE_INERT and state.case.placement == "cup"
    if uncertain or "no_reaction" in holding(state.faults):
        return None
    coat_s = state.times.best_s, state.times.high_s
    return touch_window(state.case, state.touches, best, coat_s, now_s)


_FAULT_WORDS = {
    "no_reaction": "Nothing reacts: check that the probe is in the mix, and that it has both "
    "parts.",
    "slow_reaction": "This batch runs slower than its sheet.",
    "fast_reaction": "This batch runs faster than its sheet.",
    "off_ratio": "The parts are off their ratio.",
    "cold_room": "The room is cold: the times on the sheet do not apply.",
    "probe_stuck": "The probe repeats one value: its readings are ignored.",
    "probe_lost": "The probe gives no reading.",
    "probe_noisy": "The probe is noisy: its readings count for less.",
    "probe_out": "The probe reads the air: it is out of the resin.",
}
_REACTS_AFTER_ALL = "The mix reacts after all"


def _fault_words(told: Sequence[GelFault]) -> list[str]:
    """Return the sentences for the newest fault that is present, and for a batch that reacts after
    'nothing reacts' was reported."""
    holds = holding(told)
    words = _FAULT_WORDS[holds[-1]] if holds else ""
    if "no_reaction" not in taken_back(told):
        return [words] if words else []
    if words == _FAULT_WORDS["slow_reaction"]:
        return [f"{_REACTS_AFTER_ALL}, slower than its sheet."]
    return [f"{_REACTS_AFTER_ALL}.", words] if words else [f"{_REACTS_AFTER_ALL}."]


def _cools(used: FloatArray) -> bool:
    """Return whether the probe was clearly warmer before, by medians over minutes, which suppress
    noise."""
    _, minute_K, _ = binned(used[:, TIME], used[:, PROBE], 60.0)
    minute_K = minute_K[:-1]  # the last one has just begun
    if len(minute_K) < 3:
        return False
    lately_K = float(np.median(used[used[:, TIME] > used[-1, TIME] - 60.0, PROBE]))
    rise_K, fall_K = minute_K.max() - minute_K[0], minute_K.max() - lately_K
    return bool(rise_K > 5.0 and fall_K > max(_COOLS_K, _COOLS_OF_RISE * rise_K))


def soon_words(time_min: float, word: str = "in") -> str:
    """Return the time from now in whole minutes; never 'in 0 min'.

    >>> soon_words(0.4), soon_words(7.2), soon_words(3.1, "within")
    ('within a minute', 'in 7 min', 'within 3 min')
    """
    return "within a minute" if time_min < 1.0 else f"{word} {time_min:.0f} min"


def span_words(low_min: float, high_min: float) -> str:
    """Return a span of times from now in whole minutes; one time where both are the same.

    >>> span_words(5.6, 8.7), span_words(0.5, 2.0), span_words(1.9, 2.2)
    ('in 6 to 9 min', 'in 1 to 2 min', 'in about 2 min')
    """
    low, high = max(1, round(low_min)), max(1, round(high_min))
    return f"in about {high} min" if low >= high else f"in {low} to {high} min"


def _told(
    state: GelState, estimate: GelEstimate, used: FloatArray, inert: float
) -> tuple[tuple[str, ...], str]:
    """Return the coat's state and its faults, as codes and as a sentence."""
    says, parts = [], []
    if _cools(used):
        cup = state.case.placement == "cup"
        says.append("peaked")
        parts.append("the cup has peaked" if cup else "the coat has peaked")
    low_min, high_min, stop_min = (
        max(0.0, (t - estimate.at_s) / 60.0)
        for t in (estimate.low_s, estimate.high_s, estimate.safe_to_stop_s)
    )
    if any(touch.what == "coat" for touch in state.touches):
        says, parts = ["touched"], ["the coat was found gelled; it is safe to stop"]
    elif estimate.called_s is not None:
        says.append("gelled")
        parts.append("the coat has gelled; it is safe to stop")
    elif inert > _MAYBE_INERT or "no_reaction" in holding(estimate.faults):
        says.append("inert")
        parts.append("no sign of a reaction yet")
    elif estimate.probability_gelled > 0.5:
        says.append("probably_gelled")
        parts.append(f"the coat has probably gelled; safe to stop {soon_words(stop_min)}")
    else:
        soon = low_min < 0.5
        says.append("gels_soon" if soon else "gels_later")
        gels = soon_words(high_min, "within") if soon else span_words(low_min, high_min)
        parts.append(f"the coat is expected to gel {gels}; safe to stop {soon_words(stop_min)}")
    says += holding(estimate.faults)[-1:]
    says += [f"not_{fault}" for fault in taken_back(estimate.faults) if fault == "no_reaction"]
    asked = []
    if estimate.touch is not None:
        says.append(f"touch_{estimate.touch.what}")
        asked.append(window_words(estimate.touch, estimate.at_s))
    text = "; ".join(parts)
    whole = [text[0].upper() + text[1:] + ".", *_fault_words(estimate.faults), *asked]
    return tuple(says), " ".join(whole)
