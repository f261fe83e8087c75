"""Lowest possible error of the coat's gel for an oracle that knows the simulated trade.

The oracle knows to the second when the cup gelled, and all facts of the case. It has learned from
SETS * COUNT batches of the same world, by ridge regression of the log of coat over cup on all
products of two of these. The regression is ten-fold, so no batch is predicted from itself. The
remaining error is about the difference between batches that agree in everything a maker can know;
only the shape of the trace has more information. A second oracle has a touch by finger instead of
the cup's exact gel, and an earlier batch's two touches with that day's conditions: it shows the
value of touch and memory.
"""

from __future__ import annotations

import numpy as np

from evenwall.numerics.cure import FloatArray
from tests.support import cupsim

SEED, SETS, COUNT = 5000, 2, 300
FOLDS, RIDGE = 10, 10.0
FAMILIES = ("rigid", "elastomer", "snap")
EARLY, CHANCE = 0.05, 0.99  # a call may be this much early, except in this share of the batches


def known(trace: cupsim.Trace) -> list[float]:
    case, sheet = trace.case, trace.case.sheet
    air_K = float(np.nanmedian(trace.rows[:, 2]))
    peak_K = sheet.peak_K
    return [
        np.log(trace.cup_gel_s / sheet.pot_life_s),
        np.log(sheet.pot_life_s),
        air_K,
        0.0 if case.mould_K is None else case.mould_K - air_K,
        float(case.mould_K is None),
        0.0 if case.cup_mass_kg is None else np.log(case.cup_mass_kg / sheet.pot_life_mass_kg),
        float(case.cup_mass_kg is None),
        np.log(case.coat_m),
        np.log(case.wall_m),
        case.pour_s / trace.cup_gel_s,
        sheet.pot_life_temp_K,
        0.0 if peak_K is None else peak_K - sheet.pot_life_temp_K,
        float(peak_K is None),
        *(float(trace.family == family) for family in FAMILIES),
    ]


def touched(trace: cupsim.Trace) -> list[float]:
    """Return the ratio of coat to cup on an earlier day, and the differences of that day from this
    one."""
    case, then = trace.case, trace.earlier[0]
    if then.cup_gel_s is None or then.coat_gel_s is None or then.mould_K is None:
        raise ValueError("a sound batch has both touches and its mould's temperature")
    air_K = float(np.nanmedian(trace.rows[:, 2]))
    return [
        np.log(then.coat_gel_s / then.cup_gel_s),
        np.log(then.cup_gel_s / case.sheet.pot_life_s),
        then.ambient_K - air_K,
        then.mould_K - then.ambient_K,
        np.log(then.cup_mass_kg / case.sheet.pot_life_mass_kg),
        np.log(then.coat_m / case.coat_m),
        np.log(then.wall_m / case.wall_m),
        then.pour_s / then.cup_gel_s,
    ]


def left_over(
    features: FloatArray, log_ratio: FloatArray, more: FloatArray | None = None
) -> FloatArray:
    """Return the residual of each batch by a regression without it, (N,); more: further linear
    features."""

    def scaled(raw: FloatArray) -> FloatArray:
        return np.asarray((raw - raw.mean(axis=0)) / (raw.std(axis=0) + 1e-9))

    own = scaled(features)
    first, second = np.triu_indices(own.shape[1])
    terms = np.column_stack([np.ones(len(own)), own, own[:, first] * own[:, second]])
    if more is not None:
        terms = np.column_stack([terms, scaled(more)])
    penalty = RIDGE * np.eye(terms.shape[1])
    penalty[0, 0] = 1e-6
    fold = np.random.default_rng(SEED).permutation(len(own)) % FOLDS
    left = np.empty(len(own))
    for number in range(FOLDS):
        out, used = fold == number, fold != number
        slopes = np.linalg.solve(
            terms[used].T @ terms[used] + penalty, terms[used].T @ log_ratio[used]
        )
        left[out] = log_ratio[out] - terms[out] @ slopes
    return left


def main() -> None:
    traces = [
        trace
        for number in range(SETS)
        for trace in cupsim.traces(cupsim.WORLDS[0], SEED + number, COUNT)
    ]
    features = np.array([known(trace) for trace in traces])
    coat_s, cup_s, touch_s = (
        np.array(column)
        for column in zip(
            *((t.coat_gel_s, t.cup_gel_s, t.touches[0].time_s) for t in traces), strict=True
        )
    )
    found = features.copy()
    found[:, 0] += np.log(touch_s / cup_s)
    memory = np.array([touched(trace) for trace in traces])
    for name, left in (
        ("an oracle of the cup", left_over(features, np.log(coat_s / cup_s))),
        ("one of touch and memory", left_over(found, np.log(coat_s / touch_s), memory)),
    ):
        off = 100.0 * np.abs(np.expm1(left))
        delay = 100.0 * ((1.0 - EARLY) * np.exp(np.quantile(left, CHANCE)) - 1.0)
        print(f"{name}: {np.median(off):.1f} / {np.quantile(off, 0.9):.1f} % off")
        print(
            f"  its call, one in a hundred more than {100 * EARLY:.0f} % early: {delay:.0f} % late"
        )


if __name__ == "__main__":
    main()
