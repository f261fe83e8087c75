"""Earliest moment at which an oracle that knows the simulated trade could say that nothing reacts.

A likelihood ratio between the simulator's trace of a batch with and without its reaction, which
calls no more than FALSE of the reacting ones inert. It knows both curves exactly except for the
quantities that its row leaves open; these are normal about the truth, with a linear effect:

- nothing open: only the probe's noise and rounding disturb;
- the day open: how warm it was mixed, the mould, losses, coat and wall, the probe's offset, gain
  and place are known only as far as `cupsim` lets a maker know them; the resin is known exactly;
- the resin open too: known by its sheet, with its pot life kept and with the spread of batches.

No estimate can be better than the row that knows as much as it does; and every real estimate also
has a model error, which these rows lack.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from evenwall.units import percent
from tests.support import cupsim
from tests.support.cupsim import Days, FloatArray, Resins, at_rate

SEED, COUNT, DRAWS, FALSE = 5100, 48, 600, 0.02
GRID = np.arange(0.0, 1.01, 0.01)  # pot lives
LOOKS = (0.5, 0.75, 1.0)
PLACEMENTS = ("cup", "coat")
ROWS = ("all known", "the day open", "the resin open too")
# What cupsim draws a day from, as standard deviations: of logs, and in kelvin.
DAY_LOG = {"cup_loss": 0.25, "squat": 0.27, "coat_m": 0.08, "mould_loss": 0.3, "wall_heat": 0.15}
DAY_K = {"start_K": 1.0, "mould_K": 0.7}
# Noise, step, offset, gain and how far it may be off, lag: as cupsim._read; the offset as far as
# the air leaves it open in which the probe lay before.
PROBES = {
    "digital_1wire": (0.04, 0.0625, 0.1, 0.975, 0.014, 20.0),
    "thermocouple_k": (0.25, 0.25, 0.1, 0.98, 0.012, 5.0),
    "infrared": (0.3, 0.02, 0.1, 0.93, 0.029, 1.0),
}
EVERY_S, IN_S = 3.5, 40.0  # a reading; the probe goes in after the pour
PLACE, PLACE_SD = 0.75, 0.144  # of the way from the cup's face to its core


def other_resins(resin: Resins) -> list[Resins]:
    """One standard deviation of what a sheet leaves open each, then what batches differ by."""
    return [
        replace(resin, k1=resin.k1 * np.exp(1.1)),
        replace(resin, n=resin.n + 0.29),
        replace(resin, m=resin.m + 0.17),
        replace(resin, rise_K=resin.rise_K * 1.1),
        replace(resin, block_s=resin.block_s * np.exp(0.16)),
        replace(resin, block_sharp=resin.block_sharp * np.exp(0.25)),
        at_rate(resin, np.full(len(resin.k1), np.exp(0.12))),
    ]


def other_days(day: Days) -> list[Days]:
    logs = [replace(day, **{n: getattr(day, n) * np.exp(sd)}) for n, sd in DAY_LOG.items()]
    return [*logs, *(replace(day, **{n: getattr(day, n) + sd}) for n, sd in DAY_K.items())]


def joined(parts: list[Any]) -> Any:
    names = [field.name for field in fields(parts[0])]
    return replace(parts[0], **{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})


def with_pot_life(lot: cupsim.Lot, resin: Resins, others: list[Resins]) -> list[Resins]:
    """The others but the last (which is that) brought back to the pot life of the first."""
    stack = [resin, *others[:-1]]
    days = cupsim._sheet_days(np.tile(lot.sheet_kg, len(stack)), np.tile(lot.sheet_K, len(stack)))
    together = joined(stack)
    truth = cupsim.simulate(together, days, np.tile(3.0 * lot.pot_s, len(stack)))
    cup_s = truth.gel_s(together.alpha_gel, cup=True).reshape(len(stack), -1)
    factor = np.where(np.isfinite(cup_s), cup_s / cup_s[0], 1.0)
    return [*(at_rate(r, f) for r, f in zip(others, factor[1:], strict=False)), others[-1]]


def curves(lot: cupsim.Lot) -> tuple[FloatArray, int]:
    """(4, curves, COUNT, times): core, face and coat over the air, and how many days are open.

    The reacting batch, its other days, its other resins; then the inert one and its other days.
    """
    inert, resin = lot.today, at_rate(lot.today, np.full(COUNT, 1e6))
    days = other_days(lot.day)
    resins = with_pot_life(lot, resin, other_resins(resin))
    pairs = [(resin, lot.day), *((resin, day) for day in days), *((r, lot.day) for r in resins)]
    pairs += [(inert, lot.day), *((inert, day) for day in days)]
    end_s = np.tile(1.02 * lot.pot_s, len(pairs))
    truth = cupsim.simulate(joined([r for r, _ in pairs]), joined([d for _, d in pairs]), end_s)
    over = [field - truth.air_K for field in (truth.core_K, truth.face_K, truth.coat_K)]
    wanted_s = GRID * np.tile(lot.pot_s, len(pairs))[:, None]
    told = [
        [np.interp(t, truth.time_s[:, i], field[:, i]) for i, t in enumerate(wanted_s)]
        for field in over
    ]
    return np.array(told).reshape(3, len(pairs), COUNT, len(GRID)), len(days)


Side = tuple[FloatArray, FloatArray]  # what would be read (N,) and what that may be off (., N)


def side(seen_K: FloatArray, off_K: FloatArray, first: int, others: int) -> Side:
    """Evidence for the curve `first` against the `others` that follow it; without any, nothing
    is open."""
    own = seen_K[first]
    if others == 0:
        return own, np.zeros((0, len(own)))
    return own, np.vstack([off_K[first], seen_K[first + 1 : first + 1 + others] - own])


def named(reacting: Side, inert: Side, sd_K: float, rng: np.random.Generator) -> float:
    """Share of looks at which the inert one is named."""
    if len(reacting[1]) == 0:
        apart = float(np.linalg.norm(reacting[0] - inert[0])) / sd_K
        return float(ndtr(apart + ndtri(FALSE)))
    means = [mean for mean, _ in (reacting, inert)]
    roots: list[FloatArray] = [
        np.linalg.cholesky(off_K.T @ off_K + sd_K**2 * np.eye(len(mean))).astype(np.float64)
        for mean, off_K in (reacting, inert)
    ]

    def for_inert(mean: FloatArray, root: FloatArray) -> FloatArray:
        """Log likelihood ratio, but for what is the same for all, of readings drawn from a side."""
        read = mean + rng.standard_normal((DRAWS, len(mean))) @ root.T
        far = [
            np.square(np.linalg.solve(own, (read - about).T)).sum(axis=0)
            for about, own in zip(means, roots, strict=True)
        ]
        return np.asarray(0.5 * (far[0] - far[1]))

    limit = np.quantile(for_inert(means[0], roots[0]), 1.0 - FALSE)
    return float(np.mean(for_inert(means[1], roots[1]) > limit))


def batch(
    over_K: FloatArray, days: int, placement: str, probe: str, pot_s: float, in_s: float,
    rng: np.random.Generator,
) -> FloatArray:  # fmt: skip
    """Share named, (3 rows, looks); over_K (3, curves, times)."""
    noise_K, step_K, offset_K, gain, gain_sd, lag_s = PROBES[probe]
    core, face, coat = over_K
    share, share_sd = (0.0, 0.0) if probe == "infrared" else (PLACE, PLACE_SD)
    body = coat if placement == "coat" else face + share * (core - face)
    deep = share_sd * (core - face) if placement == "cup" else np.zeros_like(body)
    reads = max(1.0, float(GRID[1]) * pot_s / EVERY_S)
    sd_K = float(np.hypot(noise_K, step_K / np.sqrt(12.0)) / np.sqrt(reads))
    inert = len(body) - 1 - days
    found = np.zeros((3, len(LOOKS)))
    for at, look in enumerate(LOOKS):
        use = np.flatnonzero((pot_s * GRID >= in_s + 2.0 * lag_s) & (look + 1e-9 >= GRID))
        if len(use) < 2:
            continue
        seen_K = gain * body[:, use]
        off_K = np.stack(
            [np.full_like(seen_K, offset_K), gain_sd * body[:, use], gain * deep[:, use]], axis=1
        )
        for row, others in enumerate((0, days, inert - 1)):
            sides = side(seen_K, off_K, 0, others), side(seen_K, off_K, inert, min(others, days))
            found[row, at] = named(*sides, sd_K, rng)
    return found


def main() -> None:
    rng = np.random.default_rng(SEED)
    lot = cupsim.drawn(cupsim.WORLDS[0], rng, COUNT, "no_reaction")
    over_K, days = curves(lot)
    delayed = lot.today.block_s > 0.0
    print(
        f"no reaction named at best by {', '.join(map(str, LOOKS))} pot lives, "
        f"{percent(FALSE)} false"
    )
    for placement in PLACEMENTS:
        in_s = (0.6 if placement == "cup" else 1.0) * lot.day.pour_s + IN_S
        for kind, lanes in (("ordinary", ~delayed), ("delayed", delayed)):
            found = np.mean(
                [
                    batch(over_K[:, :, i], days, placement, probe, lot.pot_s[i], in_s[i], rng)
                    for i in np.flatnonzero(lanes)
                    for probe in PROBES
                ],
                axis=0,
            )
            for name, row in zip(ROWS, found, strict=True):
                told = ", ".join(f"{100 * share:.0f} %" for share in row)
                print(f"{placement}, {kind}, {name}: {told}")


if __name__ == "__main__":
    main()
