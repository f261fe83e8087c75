"""Faults a probe and a batch can have, each from a rule that a person could check by eye."""

from __future__ import annotations

import math

import numpy as np

from controller.cure import FloatArray
from controller.gel.case import Case, FaultKind
from controller.gel.fit import AIR, PROBE, TIME, TRUST, Fit, settled_s
from controller.units import ZERO_DEGC_K

GOOD, ABSENT, ASIDE = 1.0, 0.0, -1.0  # trust: believed; none or senseless; a faulty probe's

_SANE_K = (ZERO_DEGC_K - 20.0, ZERO_DEGC_K + 250.0)  # no casting resin's cup is outside
_SANE_AIR_K = (ZERO_DEGC_K - 20.0, ZERO_DEGC_K + 60.0)  # no workshop is outside
_POWER_ON_K = ZERO_DEGC_K + 85.0  # DS18B20 data sheet: reads so until its first conversion
_LOST_S = 60.0
# A run of one value is a stuck probe's when chance makes so long a one no oftener than the second
# after the first; the longer it lasts, the more it matters, and a probe that moves again is taken
# at its word again.
_STUCK_S, _STUCK_CHANCE = (30.0, 80.0), (1e-6, 2e-3)
# Quantised readings repeat themselves when the temperature rests between two steps, however often
# they changed before; a run is judged by no smaller chance of a repeat than the probe's own noise
# leaves then, and a margin for how well the noise is known from n readings, this over sqrt(n).
_REPEATS_MARGIN, _NOISE_READINGS, _NOISE_LEAST = 0.25, 300, 15
# Where the fitted curve moves and the reading does not, less is enough; not so little that a cup in
# which nothing happens passes for a stuck probe.
_REPEATS_USUAL = {"digital_1wire": 0.6, "thermocouple_k": 0.6, "infrared": 0.3}
_STUCK_CHANCE_CURVE = 1e-3
_STUCK_CHANGE_K = {"digital_1wire": 0.6, "thermocouple_k": 0.8, "infrared": 0.8}
# Of a thermocouple that rounds to its own noise of 0.25 K and reads every 5 s, 0.4 K called one in
# ninety noisy within 50 min, 0.45 K one in six hundred (600 such series of white noise).
_NOISE_FLOOR_K = {"digital_1wire": 0.10, "thermocouple_k": 0.45, "infrared": 0.5}
_NOISY_TIMES, _NOISY_SHARE, _NOISY_WINDOW_S = 4.0, 0.42, 50.0
_OUT_WINDOW_S = 60.0
_OUT, _IN_AGAIN = 0.45, 0.6  # of how far it stood off the air before
_OUT_LEAST_K = {"digital_1wire": 0.8, "thermocouple_k": 1.2, "infrared": 1.5}
_COLD_K = ZERO_DEGC_K + 15.0  # below this few room-temperature resins keep to their sheet
_COLD_S = 60.0
# Of the coat's gel; batches and sheets differ by a fifth anyway, and being fast spoils less. Named
# when so many standard deviations beyond, taken back when one short of it.
_SLOW, _SLOW_Z = math.log(1.36), 1.1
_FAST, _FAST_Z = math.log(1.4), 0.9


def believed_air_K(air_K: float) -> float:
    """nan for what no workshop's air can be, a sensor's error code for one."""
    return air_K if _SANE_AIR_K[0] < air_K < _SANE_AIR_K[1] else math.nan


def power_on(probe_K: float) -> bool:
    """What a DS18B20 says for want of a conversion; a cup may be there by itself."""
    return abs(probe_K - _POWER_ON_K) < 1e-6


def trust(rows: FloatArray, time_s: float, probe_K: float, air_K: float) -> float:
    """Of the new reading, given the rows before it.

    Not: none, beyond all sense, the power-on value out of nowhere, a leap no cup can make
    (unless to the air, which is a probe pulled out).
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
    """What is wrong with the probe now, and from what time its readings are not to be used."""
    now_s = float(rows[-1, TIME])
    present = rows[rows[:, TRUST] != ABSENT]
    last_s = float(present[-1, TIME]) if len(present) else 0.0
    if now_s - last_s >= _LOST_S:
        return "probe_lost", last_s
    stuck_s = _stuck_from(case, present, curve)
    if stuck_s is not None:
        # In a cup near 85 degC no leap tells a probe that says so for want of a conversion.
        return "probe_lost" if power_on(float(present[-1, PROBE])) else "probe_stuck", stuck_s
    if now_s < settled_s(case) + 60.0:
        return None
    if _noisy(case, present):
        return "probe_noisy", math.inf
    out_s = _out_from(case, present, curve)
    return None if out_s is None else ("probe_out", out_s)


def _stuck_from(case: Case, good: FloatArray, curve: FloatArray) -> float | None:
    """Since when the very same value comes, if chance or a flat curve does not explain it."""
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
        else:  # what it does on its way in is no measure of how quiet it is
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
    """Whether nothing but this value has come for as long as makes one wonder."""
    lately = rows[rows[:, TIME] > float(rows[-1, TIME]) - _STUCK_S[0]]
    return bool(np.all(lately[lately[:, TRUST] != ABSENT, PROBE] == probe_K))


def reads_again(rows: FloatArray) -> bool:
    """A probe that was stuck or lost: nearly all that it said lately is believed."""
    lately = rows[rows[:, TIME] > float(rows[-1, TIME]) - _LOST_S]
    return len(lately) >= 5 and float(np.mean(lately[:, TRUST] == GOOD)) > 0.8


def _second_K(good: FloatArray) -> FloatArray:
    """Second differences: twice how far each reading stands off the line between its neighbours.

    By their times, since readings come late now and then: in a steep exotherm a reading half a
    second late would else pass for noise.
    """
    time_s, value = good[:, TIME], good[:, PROBE]
    part = (time_s[1:-1] - time_s[:-2]) / (time_s[2:] - time_s[:-2])
    return 2.0 * (value[:-2] + part * (value[2:] - value[:-2]) - value[1:-1])


def _repeats_at_rest(good: FloatArray) -> float:
    """How often these readings (N, 4) would repeat if the temperature rested mid-step.

    Their noise from second differences, of which white noise makes sqrt(6) times itself, less what
    the rounding adds (a twelfth of the step's square).
    """
    steps_K = np.abs(np.diff(good[:, PROBE]))
    steps_K = steps_K[steps_K > 0.0]
    if len(steps_K) == 0:
        return 1.0
    step_K = float(steps_K.min())
    second_K = np.abs(_second_K(good))
    # Jolts are no noise.
    second_K = np.minimum(second_K, 4.0 * max(float(np.median(second_K)), step_K))
    variance_K2 = float(np.mean(second_K**2)) / 6.0 - step_K**2 / 12.0
    if variance_K2 <= 0.0:
        return 1.0
    return math.erf(step_K / (2.0 * math.sqrt(2.0 * variance_K2)))


def _roughness_K(good: FloatArray) -> float:
    """Noise of single readings, from second differences: sqrt(6) times it in white noise."""
    return float(np.median(np.abs(_second_K(good))) / (0.6745 * math.sqrt(6.0)))


def _noisy(case: Case, good: FloatArray) -> bool:
    now_s = float(good[-1, TIME])
    lately = good[good[:, TIME] > now_s - _NOISY_WINDOW_S]
    if len(lately) < 8:
        lately = good[-8:]
    if len(lately) < 8:
        return False
    # A steep exotherm has large second differences too, but they keep their sign; noise turns.
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


def _out_from(case: Case, good: FloatArray, curve: FloatArray) -> float | None:
    """Since when the probe reads the air: it went there, from above or below, by more than the
    fitted curve has it, and faster than any cup cools.
    """
    now_s = float(good[-1, TIME])
    lately = good[good[:, TIME] > now_s - 12.0]
    before = good[
        (good[:, TIME] < now_s - _OUT_WINDOW_S) & (good[:, TIME] > now_s - 2.5 * _OUT_WINDOW_S)
    ]
    # A coat poured warm on a cold mould goes to the air by itself at first.
    if len(before) < 3 or len(lately) < 2 or float(before[0, TIME]) < settled_s(case):
        return None
    is_K = float(np.median(lately[:, PROBE] - lately[:, AIR]))
    was_K = float(np.median(before[:, PROBE] - before[:, AIR]))
    if abs(is_K) >= _OUT * abs(was_K) or _hurries(good, now_s):
        return None
    if was_K < 0.0 and not _comes_to_rest(good, now_s):
        return None  # a cold resin that reacts passes the air's temperature too
    fitted = (
        [
            float(np.interp(part[:, TIME], curve[:, 0], curve[:, 1]).mean())
            for part in (before, lately)
        ]
        if len(curve)
        else [0.0, 0.0]
    )
    towards_air_K = math.copysign(1.0, was_K) * (was_K - is_K + fitted[1] - fitted[0])
    return now_s - 1.5 * _OUT_WINDOW_S if towards_air_K > _OUT_LEAST_K[case.probe] else None


def in_again(case: Case, rows: FloatArray, out_s: float) -> bool:
    """Whether a probe said at `out_s` to be out of the resin stands off the air again, about as far
    as it did before. The air alone never says so, however long it is looked at.
    """
    now_s = float(rows[-1, TIME])
    read = rows[rows[:, TRUST] != ABSENT]
    lately = read[read[:, TIME] > max(now_s - 0.5 * _OUT_WINDOW_S, out_s)]
    before = read[
        (read[:, TIME] < out_s - _OUT_WINDOW_S) & (read[:, TIME] > out_s - 2.5 * _OUT_WINDOW_S)
    ]
    if len(lately) < 3 or len(before) == 0 or now_s - out_s < 0.5 * _OUT_WINDOW_S:
        return False
    is_K, was_K = (
        abs(float(np.median(part[:, PROBE] - part[:, AIR]))) for part in (lately, before)
    )
    return is_K > max(_OUT_LEAST_K[case.probe], _IN_AGAIN * was_K)


def _steps_K(good: FloatArray, now_s: float) -> FloatArray:
    """What the last three quarters of a minute changed, one after another."""
    at_s = now_s - np.array([45.0, 30.0, 15.0, 0.0])
    return np.abs(np.diff(np.interp(at_s, good[-60:, TIME], good[-60:, PROBE])))


def _hurries(good: FloatArray, now_s: float) -> bool:
    """A resin that passes the air's temperature as it warms up goes ever faster; a probe in the
    air comes to rest.
    """
    steps_K = _steps_K(good, now_s)
    return bool(steps_K[2] > steps_K[1] and steps_K[2] > 1.0)


def _comes_to_rest(good: FloatArray, now_s: float) -> bool:
    """Changes by less than half of what it did half a minute ago: a probe of 43 s or quicker."""
    steps_K = _steps_K(good, now_s)
    return bool(steps_K[2] < 0.5 * steps_K[0])


def cold_room(rows: FloatArray) -> bool:
    if not rows[-1, AIR] < _COLD_K:  # also false for nan
        return False
    air = rows[np.isfinite(rows[:, AIR])]
    enough = len(air) > 3 and air[-1, TIME] - air[0, TIME] >= _COLD_S
    return bool(enough and np.median(air[-60:, AIR]) < _COLD_K)


def pace_fault(fit: Fit) -> FaultKind | None:
    """Does the batch run clearly slower or faster than expected under today's conditions?"""
    if fit.log_pace - _SLOW_Z * fit.log_pace_sd > _SLOW:
        return "slow_reaction"
    if fit.log_pace + _FAST_Z * fit.log_pace_sd < -_FAST:
        return "fast_reaction"
    return None


def pace_over(fit: Fit) -> tuple[FaultKind, ...]:
    """Which of the two it clearly is not, though it may have looked like it."""
    over: list[FaultKind] = []
    if fit.log_pace + fit.log_pace_sd < _SLOW:
        over.append("slow_reaction")
    if fit.log_pace - fit.log_pace_sd > -_FAST:
        over.append("fast_reaction")
    return tuple(over)
