"""Readings of the probe and the air: the modelled readings, and their misfit to the measured ones.

Rows are (N, 4) of TIME, PROBE, AIR, TRUST; times in s, temperatures in K.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.linalg import solve_banded

from evenwall.numerics.cure import COAT, CORE, SHELL, FloatArray
from evenwall.numerics.gel.case import Case
from evenwall.numerics.gel.parameters import AT, DAY_SD

TIME, PROBE, AIR, TRUST = range(4)  # columns of the rows; trust, see watch.GOOD

# Offsets: DS18B20 +-0.5 K (data sheet); type K class 2 +-2.5 K as limit (IEC 60584-1), taken as
# two standard deviations; infrared from emissivity and aim, common practice, no source.
OFFSET_SD_K = {"digital_1wire": 0.3, "thermocouple_k": 1.2, "infrared": 1.5}
_GAIN = {"digital_1wire": (0.97, 0.04), "thermocouple_k": (0.98, 0.04), "infrared": (0.93, 0.06)}
# A probe that lies in the air before it goes in shows its offset from the air's own sensor, with an
# error due to two places in a room (common practice, no source). The time when it goes in is known
# to +-10 s. The offset removed a third of the early calls and 0.9 % of the delay (240 batches).
IN_AIR_SD_K, _IN_ABOUT_S, _IN_AIR_READINGS = 0.3, 15.0, 4
# A probe is not at rest in the air, whatever the person said, if its reading changes by more than
# this from the first half of that time to the second, or is off by more than three standard
# deviations. It is in a hand, in the mix or in the cup of the coat before. (By noise alone, medians
# of four readings of an infrared probe move by as much once in a hundred times.)
_IN_AIR_MOVES_K, _IN_AIR_FAR = 0.6, 3.0
_PLACE = {"digital_1wire": 0.7, "thermocouple_k": 0.8, "infrared": 0.3}
LAG_S = {"digital_1wire": 20.0, "thermocouple_k": 5.0, "infrared": 2.0}
_PROBE_IN_S = 40.0  # after the pour (common practice, no source)

# Deviation of the model from a probe. A coat warms by a few kelvin, depending on a wall whose
# properties are only roughly known.
_MODEL_SD_K = {"cup": 0.25, "coat": 0.3}
MODEL_SD_RISE = 0.05
NOISE_SD_K = 0.3  # deviation of one reading
# A probe that was just put in is still short by a share of its way from the air. This share falls
# to 1/e in one lag, or in SETTLES_LAGS for a probe that is slower than most. The probe may also
# come from a shelf or a hand instead of the air. In its first two lags it says too little to be
# used.
_USED_LAGS, SETTLES_LAGS, _SETTLES_K = 2.0, 1.3, 1.5
_MODEL_MEMORY = 1.0 / 8.0  # pot lives over which the model's error keeps its sign


def probe_in_s(case: Case) -> float:
    """Time by which a probe pressed in by hand is in, s; soon after the pour if the case does not
    give it."""
    return 10.0 + (case.pour_s + _PROBE_IN_S if case.probe_in_s is None else case.probe_in_s)


def settled_s(case: Case) -> float:
    """Time from which the probe shows the resin, s: four lags after it is in."""
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
    """Return the room's temperature at given times, K: smoothed readings, then the last one."""
    known = rows[np.isfinite(rows[:, AIR])]
    if len(known) == 0:
        guess = case.sheet.pot_life_temp_K if case.mould_K is None else case.mould_K
        return np.full(len(time_s), guess)
    width_s = max(60.0, case.sheet.pot_life_s / 20.0)
    at_s, value, _ = binned(known[:, TIME], known[:, AIR], width_s)
    return np.interp(time_s, at_s, value)


def lagged(value: FloatArray, lag_s: FloatArray, dt_s: float) -> FloatArray:
    """Return the first-order response to `value` (N + 1, L), dy/dt = (value - y)/lag_s (L,), from
    rest.

    It is exact for a value that is linear between the steps.
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
    """Return the probe's readings on the step grid, (N + 1, L), as if it were in from the start.

    The probe has a first-order lag (common practice, no source). In a cup that runs away, this is
    more than a delay: when a DS18B20 was modelled as 20 s late, the coats of quick hot cups were
    predicted 8 % too early.
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
    read = lagged(room + gain * (seen - room), lag_s, dt_s)
    return read + OFFSET_SD_K[case.probe] * x[:, AT["offset"]]


def read_off(read_K: FloatArray, dt_s: float, at_s: FloatArray) -> FloatArray:
    """Values known on the step grid, (N + 1, L), at other times (M,): (M, L)."""
    place = np.clip(at_s / dt_s, 0.0, len(read_K) - 1.001)
    low = place.astype(int)
    part = (place - low)[:, None]
    return np.asarray(read_K[low] * (1.0 - part) + read_K[low + 1] * part)


def model_sd_K(case: Case, rise_K: FloatArray) -> FloatArray:
    """Standard deviation of the model from a probe that reads `rise_K` above the room, K."""
    return np.asarray(np.hypot(_MODEL_SD_K[case.placement], MODEL_SD_RISE * rise_K))


def probe_misfit(
    case: Case, rows: FloatArray, grid_s: FloatArray, seen_K: FloatArray, room_K: FloatArray
) -> FloatArray:
    """Whitened differences between the modelled and the measured readings, (bins, L).

    A model's error keeps its sign for some time. Counting every bin as independent would make the
    estimate too narrow, so each bin's weight is divided by the number of bins in that time. The
    shortfall of a probe that was just put in is treated the same way: a quick batch has few other
    readings.
    """
    pot_s, dt_s = case.sheet.pot_life_s, float(grid_s[1])
    in_s, lag_s = probe_in_s(case), LAG_S[case.probe]
    used = rows[(rows[:, TRUST] > 0.0) & (rows[:, TIME] >= in_s + _USED_LAGS * lag_s)]
    width_s = max(pot_s / 60.0, dt_s)
    at_s, read_K, count = binned(used[:, TIME], used[:, PROBE], width_s)
    model_K = read_off(seen_K, dt_s, at_s)
    rise_K = read_K - np.interp(at_s, grid_s, room_K)
    sameness = math.sqrt(max(1.0, _MODEL_MEMORY * pot_s / width_s))
    sd_K = model_sd_K(case, rise_K) * sameness
    noise_K = NOISE_SD_K / np.sqrt(count)
    left = np.exp((in_s - at_s) / (SETTLES_LAGS * lag_s))
    short_K = np.hypot(_SETTLES_K, rise_K) * left / (1.0 - left)
    short_K *= math.sqrt(max(1.0, SETTLES_LAGS * lag_s / width_s))
    off_K = np.sqrt(sd_K**2 + noise_K**2 + short_K**2)
    return np.asarray((model_K - read_K[:, None]) / off_K[:, None])


def shown_off_K(case: Case, rows: FloatArray) -> float | None:
    """Return the probe's offset from the air before it went in, K. None if the case does not say
    that it lay in the air, or if its readings do not show it.
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
    """Return the probe's offset and its standard deviation, K, before any reading in the resin."""
    off_K, sd_K = shown_off_K(case, rows), OFFSET_SD_K[case.probe]
    if off_K is None:
        return 0.0, sd_K
    share = 1.0 / (1.0 + (IN_AIR_SD_K / sd_K) ** 2)
    return share * off_K, math.sqrt(share) * IN_AIR_SD_K


def air_misfit(case: Case, rows: FloatArray, x: FloatArray) -> FloatArray:
    """Whitened misfit of the probe in the air before it went in, (1, L), or (0, L) if unknown."""
    read_K = shown_off_K(case, rows)
    if read_K is None:
        return np.zeros((0, len(x)))
    offset_K = OFFSET_SD_K[case.probe] * x[:, AT["offset"]]
    return np.asarray((offset_K - read_K)[None] / IN_AIR_SD_K)
