"""Faults of a probe and of a batch, each found by a rule that a person could check by eye."""

from __future__ import annotations

import math

import numpy as np

from evenwall.numerics.cure import FloatArray
from evenwall.numerics.gel.case import Case, FaultKind
from evenwall.numerics.gel.fit import Fit
from evenwall.numerics.gel.parameters import DAY_SD
from evenwall.numerics.gel.priors import SHEET_SD
from evenwall.numerics.gel.readings import AIR, PROBE, TIME, TRUST, offset_K, settled_s
from evenwall.units import ZERO_DEGC_K

GOOD, ABSENT, ASIDE = 1.0, 0.0, -1.0  # trust: used; absent or impossible; from a faulty probe

_SANE_K = (ZERO_DEGC_K - 20.0, ZERO_DEGC_K + 250.0)  # every casting resin's cup is within
_SANE_AIR_K = (ZERO_DEGC_K - 20.0, ZERO_DEGC_K + 60.0)  # every workshop is within
_POWER_ON_K = ZERO_DEGC_K + 85.0  # DS18B20 data sheet: its reading until its first conversion
_LOST_S = 60.0
# A probe counts as stuck when it has repeated one value for one of these times, if the probability
# of such a run by chance is below the figure for that time. A longer run matters more, so its limit
# is wider. A probe whose reading changes again is trusted again. A hot cup stays at its peak for
# half a minute.
_STUCK_S, _STUCK_CHANCE = (45.0, 80.0), (1e-6, 2e-3)
# Quantised readings repeat when the temperature rests between two steps, however often they changed
# before. So the assumed chance of a repeat is at least that which the probe's own noise leaves
# then, plus a margin for the noise's uncertainty from n readings, this figure over sqrt(n).
_REPEATS_MARGIN, _NOISE_READINGS, _NOISE_LEAST = 0.25, 300, 15
# Where the fitted curve moves and the reading does not, a shorter run is enough, but a cup in which
# nothing happens must not look like a stuck probe.
_REPEATS_USUAL = {"digital_1wire": 0.6, "thermocouple_k": 0.6, "infrared": 0.3}
_STUCK_CHANCE_CURVE = 1e-3
_STUCK_CHANGE_K = {"digital_1wire": 0.6, "thermocouple_k": 0.8, "infrared": 0.8}
# For a thermocouple that rounds to its own noise of 0.25 K and reads every 5 s, a floor of 0.4 K
# called one in ninety noisy within 50 min, 0.45 K one in six hundred (600 such series of white
# noise).
_NOISE_FLOOR_K = {"digital_1wire": 0.10, "thermocouple_k": 0.45, "infrared": 0.5}
_NOISY_TIMES, _NOISY_SHARE, _NOISY_WINDOW_S = 4.0, 0.42, 50.0
# The test for a probe out of the resin looks at this window of the past, at this interval. The
# probe may have come out at any of these times, and may approach the air's temperature with any of
# these lags (common practice, no source; resin that clings makes it slow). It must be well on its
# way there, unlike a cup that has passed its peak. A thin coat that flashed cools to its mould with
# a lag of a minute or two, so a probe in a coat must be quicker. It must also be this much likelier
# (log). Of 440 batches, 120 of them faulty in other ways, none was reported as out; of 180 probes
# that came out, many where the resin was within a kelvin of the air, 86 % were (seeds 7000 to 7003
# and 7400 to 7402).
_OUT_WINDOW_S, _OUT_EVERY_S = 240.0, 10.0
_OUT_TRIED_S = np.array(
    [(s, lag) for s in (45, 60, 90, 120) for lag in (2, 8, 20, 45, 90) if lag <= s], dtype=float
)
_OUT_LAG_COAT_S = 20.0
_OUT_EARLIER_S = 30.0  # spacing of the times that are tried
_OUT_BENDS_S = (60.0, 120.0)  # without these the onset of a delayed resin looks like a bare probe
_OUT_LEAST = 6, 4  # readings before and after
_OUT_LIKELIER = 9.0
_OUT_NOISE_K = {"digital_1wire": 0.05, "thermocouple_k": 0.26, "infrared": 0.3}
_OUT_NOISE_LEAST = 0.55  # least noise that is assumed, as a share of _OUT_NOISE_K
# The end temperature must agree with the air's to this many standard deviations. They include the
# offset's and a share of a long fall, which these lags describe only roughly.
_OUT_FAR, _OUT_SHARE = 2.5, 0.05
_IN_WINDOW_S, _IN_AGAIN = 60.0, 0.6  # share of its earlier difference from the air
_IN_LEAST_K = {"digital_1wire": 0.8, "thermocouple_k": 1.2, "infrared": 1.5}
_COLD_K = ZERO_DEGC_K + 13.0  # ten kelvin below the usual sheet, where cure takes twice as long
_COLD_S = 60.0
# Limit on the log of the cup's pace. One sound batch in a hundred passes it on either side by its
# sheet and its mix alone (2.33 standard deviations of a normal variate), which uses up the two in a
# hundred that may be called slow or fast wrongly. The fault is reported where the pace lies beyond
# the limit with a chance of nineteen in twenty, and withdrawn one standard deviation short of it.
_PACE_LIMIT = 2.33 * math.hypot(SHEET_SD["pot_life"], DAY_SD["batch"])
_PACE_Z = 1.645


def believed_air_K(air_K: float) -> float:
    """Return the air's temperature, or nan for one that no workshop has, such as a sensor's error
    code."""
    return air_K if _SANE_AIR_K[0] < air_K < _SANE_AIR_K[1] else math.nan


def power_on(probe_K: float) -> bool:
    """Return whether this is the reading of a DS18B20 without a conversion; a cup may also be this
    warm."""
    return abs(probe_K - _POWER_ON_K) < 1e-6


def trust(rows: FloatArray, time_s: float, probe_K: float, air_K: float) -> float:
    """Return the trust in a new reading, judged by the rows before it.

    Not trusted are: no reading, an impossible value, a sudden power-on value, and a jump that no
    cup can make (unless to the air's temperature, which is a probe pulled out).
    """
    if not _SANE_K[0] < probe_K < _SANE_K[1]:  # also false for nan
        return ABSENT
    before = rows[rows[:, TRUST] > 0.0][-5:]
    if len(before) == 0:
        return ABSENT if power_on(probe_K) else GOOD
    leap_K = float(np.abs(probe_K - before[:, PROBE]).min())
    since_s = time_s - float(before[-1, TIME])
    leaps = leap_K > 25.0 + 2.0 * since_s and abs(probe_K - air_K) > 3.0
    return ABSENT if leaps or (power_on(probe_K) and leap_K > 5.0) else GOOD


def probe_fault(case: Case, rows: FloatArray, curve: FloatArray) -> tuple[FaultKind, float] | None:
    """Return the probe's present fault, and the time from which its readings are not to be used."""
    now_s = float(rows[-1, TIME])
    present = rows[rows[:, TRUST] != ABSENT]
    # A log may begin late: a probe is lost from the first row at the earliest.
    last_s = float(present[-1, TIME] if len(present) else rows[0, TIME])
    if now_s - last_s >= _LOST_S:
        return "probe_lost", last_s
    stuck_s = _stuck_from(case, present, curve)
    if stuck_s is not None:
        # In a cup near 85 degC no jump shows that the probe has made no conversion.
        return "probe_lost" if power_on(float(present[-1, PROBE])) else "probe_stuck", stuck_s
    if len(present) == 0 or now_s < settled_s(case) + 60.0:
        return None
    if _noisy(case, present):
        return "probe_noisy", math.inf
    out_s = _out_from(case, present)
    return None if out_s is None else ("probe_out", out_s)


def _stuck_from(case: Case, good: FloatArray, curve: FloatArray) -> float | None:
    """Return the time since which one value repeats, if neither chance nor a flat curve explains
    it."""
    value = good[-400:, PROBE]
    same = np.diff(value) == 0.0
    if len(same) == 0 or not same[-1]:
        return None
    run = len(same) if same.all() else int(np.argmin(same[::-1]))
    start_s, now_s = float(good[-1 - run, TIME]), float(good[-1, TIME])
    if now_s - start_s < _STUCK_S[0] or run < 5:
        return None
    chance = _STUCK_CHANCE[int(now_s - start_s >= _STUCK_S[1])]
    earlier = same[: len(same) - run][-100:]
    if len(earlier) >= _NOISE_LEAST:
        repeats = (float(earlier.sum()) + 1.0) / (len(earlier) + 2.0)
        shown = good[: len(good) - run][-_NOISE_READINGS:]
        settled = shown[shown[:, TIME] > settled_s(case)]
        if len(settled) >= _NOISE_LEAST:
            shown = settled
        else:  # readings while it settles do not show its noise
            repeats = max(repeats, _REPEATS_USUAL[case.probe])
        at_rest = _repeats_at_rest(shown) + _REPEATS_MARGIN / math.sqrt(len(shown))
        if run * math.log(max(repeats, at_rest)) < math.log(chance):
            return start_s
    seldom = run * math.log(_REPEATS_USUAL[case.probe]) < math.log(_STUCK_CHANCE_CURVE)
    if seldom and len(curve) and start_s > settled_s(case):
        expected = np.interp([start_s, now_s], curve[:, 0], curve[:, 1])
        if abs(expected[1] - expected[0]) > _STUCK_CHANGE_K[case.probe]:
            return start_s
    return None


def rests(rows: FloatArray, probe_K: float) -> bool:
    """Return whether only this value has come for the shorter time of a stuck probe."""
    lately = rows[rows[:, TIME] > float(rows[-1, TIME]) - _STUCK_S[0]]
    return bool(np.all(lately[lately[:, TRUST] != ABSENT, PROBE] == probe_K))


def reads_again(rows: FloatArray) -> bool:
    """Return whether a probe that was stuck or lost works again: nearly all its latest readings are
    good."""
    lately = rows[rows[:, TIME] > float(rows[-1, TIME]) - _LOST_S]
    return len(lately) >= 5 and float(np.mean(lately[:, TRUST] == GOOD)) > 0.8


def _second_K(good: FloatArray) -> FloatArray:
    """Second differences: twice each reading's distance from the line between its neighbours.

    The readings' times are used, since readings are late now and then: in a steep exotherm a
    reading half a second late would otherwise look like noise.
    """
    time_s, value = good[:, TIME], good[:, PROBE]
    part = (time_s[1:-1] - time_s[:-2]) / (time_s[2:] - time_s[:-2])
    return 2.0 * (value[:-2] + part * (value[2:] - value[:-2]) - value[1:-1])


def _repeats_at_rest(good: FloatArray) -> float:
    """Share of these readings (N, 4) that would repeat if the temperature rested between two steps.

    Their noise comes from second differences, which are sqrt(6) times it in white noise, less the
    variance of the rounding (a twelfth of the step's square).
    """
    steps_K = np.abs(np.diff(good[:, PROBE]))
    steps_K = steps_K[steps_K > 0.0]
    if len(steps_K) == 0:
        return 1.0
    step_K = float(steps_K.min())
    second_K = np.abs(_second_K(good))
    # Jolts are not noise, so large second differences are limited.
    second_K = np.minimum(second_K, 4.0 * max(float(np.median(second_K)), step_K))
    variance_K2 = float(np.mean(second_K**2)) / 6.0 - step_K**2 / 12.0
    if variance_K2 <= 0.0:
        return 1.0
    return math.erf(step_K / (2.0 * math.sqrt(2.0 * variance_K2)))


def _roughness_K(good: FloatArray) -> float:
    """Noise of single readings, from second differences, which are sqrt(6) times it in white
    noise."""
    return float(np.median(np.abs(_second_K(good))) / (0.6745 * math.sqrt(6.0)))


def _noisy(case: Case, good: FloatArray) -> bool:
    now_s = float(good[-1, TIME])
    lately = good[good[:, TIME] > now_s - _NOISY_WINDOW_S]
    if len(lately) < 8:
        lately = good[-8:]
    if len(lately) < 8:
        return False
    # A steep exotherm has large second differences too, but they keep their sign; those of noise
    # alternate.
    second = _second_K(lately)
    opposite = second[1:] * second[:-1] < 0.0

    def turns(usual_K: float) -> bool:
        much = np.abs(second) > _NOISY_TIMES * usual_K
        return float((much[1:] & much[:-1] & opposite).mean()) > _NOISY_SHARE

    if not turns(_NOISE_FLOOR_K[case.probe]):
        return False
    before = good[
        (good[:, TIME] < now_s - 2.0 * _NOISY_WINDOW_S) & (good[:, TIME] > settled_s(case))
    ]
    return len(before) < 15 or turns(_roughness_K(before[-150:]))


def _out_from(case: Case, present: FloatArray) -> float | None:
    """Return the time since which the probe reads the air, if a probe that came out of the resin
    explains its last minutes clearly better than one that stayed in; tested every _OUT_EVERY_S.

    The noise is taken from each model's residuals, with a least value, so that the test compares
    two likelihoods of normal errors.
    """
    now_s = float(present[-1, TIME])
    if len(present) < 2 or now_s // _OUT_EVERY_S == float(present[-2, TIME]) // _OUT_EVERY_S:
        return None
    from_s = max(now_s - _OUT_WINDOW_S, settled_s(case))
    lately = present[(present[:, TIME] > from_s) & np.isfinite(present[:, AIR])]
    if len(lately) < sum(_OUT_LEAST):
        return None
    off_K, off_sd_K = offset_K(case, present)
    noise_K = _OUT_NOISE_K[case.probe]
    ago_s = lately[:, TIME] - now_s
    off_air_K = lately[:, PROBE] - float(np.median(lately[:, AIR])) - off_K
    tried_s = _OUT_TRIED_S
    if case.placement == "coat":
        tried_s = tried_s[tried_s[:, 1] <= _OUT_LAG_COAT_S]
    came_K2, (from_K, to_K), since_s = _came_out(ago_s, off_air_K, noise_K / off_sd_K, tried_s)
    if abs(to_K) > _OUT_FAR * math.hypot(off_sd_K, _OUT_SHARE * from_K):
        return None
    least_K2 = len(lately) * (_OUT_NOISE_LEAST * noise_K) ** 2
    stayed_K2 = _stayed_K2(ago_s, off_air_K)
    likelier = math.log(max(stayed_K2, least_K2)) - math.log(max(came_K2, least_K2))
    if 0.5 * len(lately) * likelier < _OUT_LIKELIER:
        return None
    return now_s - since_s - _OUT_EARLIER_S


def _came_out(
    ago_s: FloatArray, off_air_K: FloatArray, known: float, tried_s: FloatArray
) -> tuple[float, tuple[float, float], float]:
    """Fit a parabola, then a first-order approach to the air's temperature. Return the sum of the
    squared residuals, the start and end of the approach, K, and how long ago it began; the sum is
    infinite where there are too few readings.
    known: a reading's own noise over the deviation of the probe's reading in the air.
    """
    since_s, lag_s = tried_s.T[:, :, None]
    out = ago_s >= -since_s
    enough = ((~out).sum(axis=1) >= _OUT_LEAST[0]) & (out.sum(axis=1) >= _OUT_LEAST[1])
    if not enough.any():
        return math.inf, (0.0, 0.0), 0.0
    since_s, lag_s, out = since_s[enough], lag_s[enough], out[enough]
    left = np.where(out, np.exp(-np.maximum(ago_s + since_s, 0.0) / lag_s), 1.0)
    before = np.where(out, 0.0, (ago_s + since_s) / _OUT_WINDOW_S)
    shapes = np.stack([left, before, before**2, 1.0 - left], axis=2)
    air = np.broadcast_to([[[0.0, 0.0, 0.0, known]]], (len(shapes), 1, 4))
    shapes, read_K = np.concatenate([shapes, air], axis=1), np.append(off_air_K, 0.0)
    base, upper = np.linalg.qr(shapes)
    along_K = read_K @ base
    squares_K2 = read_K @ read_K - (along_K**2).sum(axis=1)
    best = int(np.argmin(squares_K2))
    told = np.linalg.solve(upper[best], along_K[best])
    return float(squares_K2[best]), (told[0], told[3]), float(since_s[best, 0])


def _stayed_K2(ago_s: FloatArray, off_air_K: FloatArray) -> float:
    """Return the sum of squared residuals of a parabola, or of one that bends upward from some time
    on, as at the onset of a delayed resin.
    """
    part = ago_s / _OUT_WINDOW_S
    left = []
    for since_s in (0.0, *_OUT_BENDS_S):
        bend = np.maximum(part + since_s / _OUT_WINDOW_S, 0.0) ** 2
        shapes = np.column_stack([bend, np.vander(part, 3)])[:, since_s == 0.0 :]
        told = np.linalg.lstsq(shapes, off_air_K, rcond=None)[0]
        if since_s == 0.0 or told[0] > 0.0:
            left.append(float(np.sum((off_air_K - shapes @ told) ** 2)))
    return min(left)


def in_again(case: Case, rows: FloatArray, out_s: float) -> bool:
    """Return whether a probe reported at `out_s` as out of the resin differs from the air again by
    about as much as before. A probe in the air never does, however long one waits.
    """
    now_s = float(rows[-1, TIME])
    read = rows[rows[:, TRUST] != ABSENT]
    lately = read[read[:, TIME] > max(now_s - 0.5 * _IN_WINDOW_S, out_s)]
    before = read[
        (read[:, TIME] < out_s - _IN_WINDOW_S) & (read[:, TIME] > out_s - 2.5 * _IN_WINDOW_S)
    ]
    if len(lately) < 3 or len(before) == 0 or now_s - out_s < 0.5 * _IN_WINDOW_S:
        return False
    off_K, _ = offset_K(case, rows)
    is_K, was_K = (
        abs(float(np.median(part[:, PROBE] - part[:, AIR])) - off_K) for part in (lately, before)
    )
    return is_K > max(_IN_LEAST_K[case.probe], _IN_AGAIN * was_K)


def cold_room(rows: FloatArray) -> bool:
    """Return whether the air has been cold for half of the batch and is cold now: a cool evening
    late in a batch hardly changes its gel.
    """
    if not rows[-1, AIR] < _COLD_K:  # also false for nan
        return False
    air = rows[np.isfinite(rows[:, AIR])]
    enough = len(air) > 3 and air[-1, TIME] - air[0, TIME] >= _COLD_S
    return bool(enough and np.median(air[:, AIR]) < _COLD_K)


def pace_fault(fit: Fit) -> FaultKind | None:
    """Return the fault of a batch that is clearly slower or faster than expected under today's
    conditions."""
    if fit.log_pace - _PACE_Z * fit.log_pace_sd > _PACE_LIMIT:
        return "slow_reaction"
    if fit.log_pace + _PACE_Z * fit.log_pace_sd < -_PACE_LIMIT:
        return "fast_reaction"
    return None


def pace_over(fit: Fit) -> tuple[FaultKind, ...]:
    """Return the faults of pace, slow or fast, that the batch clearly does not have."""
    over: list[FaultKind] = []
    if fit.log_pace + fit.log_pace_sd < _PACE_LIMIT:
        over.append("slow_reaction")
    if fit.log_pace - fit.log_pace_sd > -_PACE_LIMIT:
        over.append("fast_reaction")
    return tuple(over)
