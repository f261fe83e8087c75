"""Gel times as told by an oracle that knows how the batches of worlds C and D are drawn.

For each batch the oracle draws many resins and days from the world's own ranges (recipes.py), all
of which agree with the maker's notes, and computes their traces with the world's own mechanisms
(mechanisms.py). A Gaussian process learns from these draws how the coat's gel follows from the
readings until now, the sheet's peak and the touches (Rasmussen and Williams 2006, Gaussian
Processes for Machine Learning, ch. 2 and 5.4, from memory). Its error is that of the draws next to
the batch, each predicted from all others. So the truth is used nowhere.

The oracle uses nothing of the estimate. It is not a strict bound: the draws are finite, and the
readings are reduced to their principal components. Whoever does clearly better than the oracle has
shown that; nobody who does not know the world should be expected to.

    python -m tests.worlds.oracle C9931x40 D9931x40
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np
from scipy.special import ndtr

from evenwall.numerics import gel
from evenwall.numerics.cure import Sheet
from evenwall.numerics.gel import estimate
from tests.worlds import recipes
from tests.worlds.mechanisms import SLICES, Course, FloatArray, Mix, Place, follow, only
from tests.worlds.scoring import EARLY, Logged, Said, Verdict, table, verdict
from tests.worlds.scoring import follow as follow_estimate

DRAWS = 500
STEP_S = 2.0  # longest; a thin cup stirred by its warmth is unstable from about 4 s on
SHEET_STEPS, SHEET_ROUNDS = 400, 4
RESIN_TRIES, DAY_TRIES = 40, 60  # draws for each that agrees with the notes
WINDOW = 5.0  # printed pot lives; a coat without a gel by then counts as gelled there
BINS = 40
COMPONENTS = 10  # of the readings, in the regression
RIDGE, RELEVANCE, REACH, NUGGET = 1.0, 0.2, 1.0, 0.3
EFFECTIVE = 120.0  # draws whose errors count
TOUCH_LATE, TOUCH_SD = 0.02, 0.03  # recipes._touch_s
LAG_S = {"digital_1wire": 18.0, "thermocouple_k": 4.0, "infrared": 1.0}
NOISE_K = {"digital_1wire": 0.04, "thermocouple_k": 0.25, "infrared": 0.3}
OFF_K = {"digital_1wire": 0.3, "thermocouple_k": 1.0, "infrared": 1.2}
LOOKS, FIRST_LOOK = 16, 3  # moments of a log; the first few have too few readings
CALL_CHANCE, CALL_CHANCE_TOUCHED = 0.98, 0.95  # the chances of the estimate
READINGS, REFIT_EVERY = 80, 1.0 / 12.0  # of the estimate, per pot life and in pot lives
PROCESSES = 2


@dataclass(frozen=True)
class Bank:
    """Draws that agree with the notes of one batch. read_K (N, L) at time_s (N,), without noise;
    peak_K (L,): of the sheet's cup; the others are logs of gel times, (L,).
    """

    time_s: FloatArray
    read_K: FloatArray
    peak_K: FloatArray
    log_cup: FloatArray
    log_coat: FloatArray
    log_cup_then: FloatArray
    log_coat_then: FloatArray


@dataclass(frozen=True)
class Belief:
    """Weighted logs of the coat's gel time, in order, with the shares up to each."""

    log_s: FloatArray
    share: FloatArray

    def quantile_s(self, chance: float) -> float:
        return float(np.exp(np.interp(chance, self.share, self.log_s)))


def _kept(world: recipes.World, rng: np.random.Generator, logged: Logged, count: int) -> Mix:
    """Return resins of the sheet's kind and pot life."""
    sheet = logged.case.sheet
    tries = RESIN_TRIES * count
    word = rng.uniform(*world.pot_word, tries) * rng.lognormal(0.0, world.sheet_off, tries)
    pot_s = (sheet.pot_life_s + rng.uniform(-15.0, 15.0, tries)) / word
    low_s, high_s = (60.0 * value for value in world.pot_min)
    mixes = recipes._mixes(world, rng, pot_s)
    fits = ((mixes.release_1_s > 0.0) == sheet.snap) & (pot_s > low_s) & (pot_s < high_s)
    index = np.flatnonzero(fits)[:count]
    mix, pot_s = only(mixes, index), pot_s[index]
    one = np.ones(len(index))
    viscosity = sheet.viscosity_Pa_s * one
    return _at_pot_life(
        replace(mix, density=sheet.density_kg_m3 * one, viscosity=viscosity),
        sheet.pot_life_mass_kg * one,
        pot_s,
    )


def _at_pot_life(mix: Mix, kg: FloatArray, pot_s: FloatArray) -> Mix:
    """As recipes._to_pot_life, in fewer steps."""
    place = recipes._sheet_place(kg, recipes.ZERO_K + 23.0)
    steps = max(SHEET_STEPS, int(3.0 * pot_s.max() / STEP_S))
    for _ in range(SHEET_ROUNDS):
        course = follow(mix, place, 3.0 * pot_s, steps=steps, keep=4)
        gel_s = np.minimum(course.gel_s(course.cup_done, mix.gel), 3.0 * pot_s)
        mix = recipes.at_pace(mix, gel_s / pot_s)
    return mix


def _peak_K(mix: Mix, sheet: Sheet) -> FloatArray:
    one = np.ones(len(mix.gel))
    if sheet.peak_K is None:
        return 0.0 * one
    place = recipes._sheet_place(sheet.pot_life_mass_kg * one, recipes.ZERO_K + 23.0)
    window_s = 3.0 * sheet.pot_life_s
    steps = max(2 * SHEET_STEPS, int(window_s / STEP_S))
    return np.asarray(follow(mix, place, window_s * one, steps=steps, keep=4).core_K.max(axis=0))


def _day(
    world: recipes.World,
    rng: np.random.Generator,
    notes: gel.Case | gel.EarlierBatch,
    air: tuple[float, float],
    count: int,
) -> Place:
    """Return days that agree with a maker's notes."""
    if notes.cup_mass_kg is None:
        raise ValueError("every batch of these worlds has its cup's mass")
    air_K, swing_K = air
    tries = DAY_TRIES * count
    warm_K = rng.uniform(*world.warm_K, tries)
    less_K = rng.uniform(*world.wall_less_K, tries)
    if notes.mould_K is not None:
        less_K = air_K - (notes.mould_K - 0.7 * warm_K + rng.normal(0.0, 0.5, tries))
    low_K, high_K = world.wall_less_K
    film_m = notes.coat_m / rng.lognormal(0.0, 0.08, tries)
    low, high = np.log(1e-3 * np.array(world.film_mm))
    drawn = ndtr((np.log(film_m) - low) / 0.1) * ndtr((high - np.log(film_m)) / 0.1)
    good = (less_K >= low_K) & (less_K <= high_K) & (rng.random(tries) < drawn)
    kept = np.flatnonzero(good)[:count]
    if len(kept) < count:
        raise ValueError("too few days agree with the notes")
    one = np.ones(count)
    return Place(
        cup_kg=notes.cup_mass_kg + rng.uniform(-5e-4, 5e-4, count),
        slender=rng.uniform(0.7, 1.8, count),
        cup_hold=rng.uniform(0.5, 1.0, count),
        air_K=air_K * one,
        swing_K=swing_K * one,
        mixed_K=air_K + rng.normal(0.0, 1.5, count),
        mould_K=air_K - less_K[kept],
        warm_K=warm_K[kept],
        pour_s=notes.pour_s + rng.uniform(-2.5, 2.5, count),
        film_m=film_m[kept],
        slab_m=notes.wall_m + rng.uniform(-5e-4, 5e-4, count),
        slab_conduct=rng.uniform(0.18, 0.32, count),
        slab_store=rng.uniform(1.3e6, 1.8e6, count),
        wind=rng.uniform(*world.wind, count),
    )


def _gels(mix: Mix, place: Place, window_s: float) -> tuple[Course, FloatArray, FloatArray]:
    """Return the course and the logs of the gel times of cup and coat."""
    one = np.ones(len(mix.gel))
    between = place.slab_conduct / (place.slab_m / SLICES)
    to_film = 1.0 / (0.5 * place.film_m / mix.conduct + 0.5 / between)
    slice_store = place.slab_m / SLICES * place.slab_store
    film_store = place.film_m * mix.density * mix.heat
    fastest_1_s = (to_film + between) / np.minimum(slice_store, film_store)
    steps = max(1000, int(window_s * max(float(fastest_1_s.max()), 1.0 / STEP_S)))
    course = follow(mix, place, window_s * one, steps=steps, keep=4)
    cup, coat = (
        np.log(np.minimum(course.gel_s(done, mix.gel), window_s))
        for done in (course.cup_done, course.film_done)
    )
    return course, cup, coat


def _read_K(rng: np.random.Generator, course: Course, case: gel.Case, end_s: float) -> FloatArray:
    """Readings (N, L) at each multiple of 2 s, as recipes._logged_K makes them, without noise."""
    lanes = course.core_K.shape[1]
    time_s = np.arange(0.0, end_s, 2.0)
    seen = course.film_K
    if case.placement == "cup":
        part = rng.uniform(0.4, 1.0, lanes)
        seen = part * course.core_K + (1.0 - part) * course.skin_K
    place = np.clip(time_s / course.time_s[1, 0], 0.0, len(course.time_s) - 1.001)
    low = place.astype(int)
    over = (place - low)[:, None]
    true = seen[low] * (1.0 - over) + seen[low + 1] * over
    air = np.interp(time_s, course.time_s[:, 0], course.air_K[:, 0])[:, None]
    true = np.where(time_s[:, None] < (case.probe_in_s or 0.0), air, true)
    gain = rng.uniform(0.9, 1.0, lanes) - (0.1 if case.placement == "coat" else 0.0)
    kept = np.exp(-2.0 / (LAG_S[case.probe] * rng.lognormal(0.0, 0.3, lanes)))
    aim = air + gain * (true - air)
    read = np.empty_like(aim)
    read[0] = air[0]
    for i in range(1, len(aim)):
        read[i] = aim[i] + (read[i - 1] - aim[i]) * kept
    return np.asarray(read + OFF_K[case.probe] * rng.standard_normal(lanes))


def _air(logged: Logged) -> tuple[float, float]:
    """Return the air's mean and swing, which the log's third column gives without noise."""
    told = np.array([(row.time_s, row.ambient_K) for row in logged.rows], dtype=float)
    shapes = np.column_stack([np.ones(len(told)), np.sin(told[:, 0] / 900.0)])
    mean_K, swing_K = np.linalg.lstsq(shapes, told[:, 1], rcond=None)[0]
    return float(mean_K), float(swing_K)


def bank(world: recipes.World, logged: Logged, seed: int, draws: int = DRAWS) -> Bank:
    """Draw resins and days that agree with the notes of one batch."""
    rng = np.random.default_rng([seed, draws])
    case = logged.case
    mix = _kept(world, rng, logged, draws)
    count = len(mix.gel)
    day = _day(world, rng, case, _air(logged), count)
    then = logged.earlier[0]
    past = _day(world, rng, then, (then.ambient_K, 0.0), count)
    past = replace(past, swing_K=rng.normal(0.0, 0.4, count))
    now_mix, then_mix = (
        recipes.at_pace(mix, rng.lognormal(0.0, world.batch_off, count)) for _ in range(2)
    )
    window_s = max(WINDOW * case.sheet.pot_life_s, logged.rows[-1].time_s)
    course, cup, coat = _gels(now_mix, day, window_s)
    _, cup_then, coat_then = _gels(then_mix, past, WINDOW * case.sheet.pot_life_s)
    read_K = _read_K(rng, course, case, logged.rows[-1].time_s + 2.0)
    peak_K = _peak_K(mix, case.sheet)
    kept = np.isfinite(read_K).all(axis=0) & np.isfinite(peak_K)
    logs = (peak_K, cup, coat, cup_then, coat_then)
    return Bank(2.0 * np.arange(len(read_K)), read_K[:, kept], *(log[kept] for log in logs))


def _readings(logged: Logged, bank: Bank, now_s: float, rng: np.random.Generator) -> FloatArray:
    """Return the bins' means over the air as read and as each draw would read them, (1 + L, B)."""
    read = np.array(
        [(r.time_s, np.nan if r.probe_K is None else r.probe_K) for r in logged.rows], dtype=float
    )
    read = read[np.isfinite(read[:, 1]) & (read[:, 0] <= now_s)]
    edges = np.linspace(read[0, 0], now_s + 1e-6, BINS + 1)
    own = np.digitize(read[:, 0], edges) - 1
    there = np.clip(np.rint(read[:, 0] / 2.0).astype(int), 0, len(bank.read_K) - 1)
    found = []
    for number in np.unique(own):
        mine = own == number
        told = bank.read_K[there[mine]].mean(axis=0)
        told += NOISE_K[logged.case.probe] / math.sqrt(mine.sum()) * rng.standard_normal(len(told))
        found.append(np.concatenate([[read[mine, 1].mean()], told]))
    return np.array(found).T - _air(logged)[0]


def belief(logged: Logged, bank: Bank, now_s: float, touched: bool) -> Belief:
    """Return the oracle's belief about the coat's gel, by the readings until `now_s`."""
    rng = np.random.default_rng(len(bank.log_coat))
    warm = np.arcsinh(_readings(logged, bank, now_s, rng))
    warm -= warm.mean(axis=0)
    _, _, axes = np.linalg.svd(warm[1:], full_matrices=False)
    facts = [warm @ axes[:COMPONENTS].T]
    case, then = logged.case, logged.earlier[0]
    notes = []
    if case.sheet.peak_K is not None:
        notes.append((bank.peak_K, case.sheet.peak_K, 3.0))
    touches = [(bank.log_cup_then, then.cup_gel_s), (bank.log_coat_then, then.coat_gel_s)]
    touches += [(bank.log_cup, t.time_s) for t in logged.touches if t.time_s <= now_s]
    for log_s, found_s in touches if touched else ():
        if found_s is None:
            raise ValueError(f"{logged.name}: a touch of the earlier batch is missing")
        off = math.hypot(TOUCH_SD, 4.3 / found_s)
        notes.append((log_s + TOUCH_LATE, math.log(found_s), off))
    for drawn, found, sd in notes:
        noisy = drawn + sd * rng.standard_normal(len(drawn))
        facts.append(np.concatenate([[found], noisy])[:, None])
    return _regressed(np.hstack(facts), bank.log_coat)


def _regressed(facts: FloatArray, log_s: FloatArray) -> Belief:
    """Return the belief of the first of `facts` (1 + L, F), by a Gaussian process over the others.

    Its spread is that of the errors of the draws next to it, each predicted from all others.
    """
    scaled = (facts - facts[1:].mean(axis=0)) / facts[1:].std(axis=0)
    terms = np.column_stack([np.ones(len(scaled)), scaled])
    count = len(log_s)
    line = np.linalg.solve(
        terms[1:].T @ terms[1:] + RIDGE * np.eye(terms.shape[1]), terms[1:].T @ log_s
    )
    left = log_s - terms[1:] @ line
    # Facts that matter to the gel count for more in how near two draws are.
    near = scaled * (RELEVANCE + np.abs(line[1:]) / np.abs(line[1:]).max())
    near /= REACH * math.sqrt(float((near[1:] ** 2).sum(axis=1).mean()))
    squares = (near**2).sum(axis=1)
    like = np.exp(near @ near[1:].T - 0.5 * (squares[:, None] + squares[1:]))
    inverse = np.linalg.inv(like[1:] + NUGGET * np.eye(count))
    solved = inverse @ left
    errors = solved / np.diag(inverse)
    told = float(terms[0] @ line + like[0] @ solved)
    weight = _nearest(like[0])
    order = np.argsort(errors)
    share = np.cumsum(weight[order]) - 0.5 * weight[order]
    return Belief(told + errors[order], share)


def _nearest(like: FloatArray) -> FloatArray:
    """Return weights of the draws, flattened until EFFECTIVE of them count."""
    log = np.log(np.maximum(like, 1e-300))
    power = 4.0
    while True:
        weight = np.exp(power * (log - log.max()))
        weight /= weight.sum()
        if 1.0 / (weight**2).sum() >= EFFECTIVE:
            return np.asarray(weight)
        power *= 0.8


def said(logged: Logged, bank: Bank, touched: bool) -> Said:
    """Return all that the oracle says, at LOOKS moments of the log, by the estimate's own rule of
    when a coat is called."""
    eta, called_s, best_s = [], None, None
    chance = CALL_CHANCE_TOUCHED if touched else CALL_CHANCE
    for now_s in np.linspace(0.0, logged.rows[-1].time_s, LOOKS + 1)[FIRST_LOOK:].tolist():
        told = belief(logged, bank, now_s, touched)
        best, low, high = (told.quantile_s(share) for share in (0.5, 0.05, 0.95))
        eta.append((now_s, best, low, high))
        if called_s is None and now_s >= (1.0 - EARLY) * told.quantile_s(chance):
            called_s, best_s = now_s, best
    return Said(called_s, best_s, np.array(eta), (), None if touched else "coat")


def thinned(logged: Logged) -> Logged:
    """Return the batch with READINGS readings per pot life, to save the estimate's time."""
    apart_s, rows = logged.case.sheet.pot_life_s / READINGS, [logged.rows[0]]
    for row in logged.rows:
        if row.time_s - rows[-1].time_s >= apart_s:
            rows.append(row)
    return replace(logged, rows=tuple(rows))


def judged(what: tuple[int, Logged]) -> dict[str, Verdict]:
    """Return the verdicts on one batch by who tells its gel and from what."""
    number, logged = what
    drawn = bank(recipes.WORLDS[logged.name[0]], logged, number)
    few = thinned(logged)
    return {
        f"{who}, {known}": verdict(logged, told)
        for known, more in (("the trace alone", False), ("touched", True))
        for who, told in (
            ("oracle", said(logged, drawn, more)),
            ("estimate", follow_estimate(few, more)),
        )
    }


def main(names: Sequence[str]) -> None:
    """Print the tables of oracle and estimate on sets such as C9931x40 (world, seed, count)."""
    estimate.REFIT_EVERY = REFIT_EVERY
    for name in names:
        todo = list(enumerate(recipes.load(name)))
        with get_context("fork").Pool(PROCESSES) as pool:
            found = pool.map(judged, todo, chunksize=1)
        for who in found[0]:
            print(f"{name}, {who}\n{table([each[who] for each in found])}\n", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
