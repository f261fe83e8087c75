"""Bands tested on a world that was not used to set their width.

The width of the 90 % band is set on all worlds but one, so that the worst of them is covered to
90 %, and scored on the one left out (split conformal prediction: Vovk, Gammerman and Shafer 2005,
'Algorithmic Learning in a Random World', from memory). A factor above 1 means that the present band
is too narrow for the worst of the others.

    python -m tests.worlds.left_out A9950x8 C9500x8 D9500x8      (add --touched)
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence

import numpy as np

from evenwall.units import percent
from tests.support import cupsim
from tests.worlds import recipes
from tests.worlds.scoring import PARTS, Logged, follow

CLAIMED = 0.9


def off_band(best_s: float, low_s: float, high_s: float, gel_s: float) -> float:
    """Return how far the truth lies from the best estimate, in half bands of its own side."""
    late = gel_s > best_s
    return math.log(gel_s / best_s) / math.log((high_s if late else low_s) / best_s)


def looks(logged: Logged, touched: bool) -> list[float]:
    """Return `off_band` at the newest word before each part of the gel time."""
    if logged.coat_gel_s is None:
        raise ValueError(f"{logged.name}: its coat never gels")
    eta = follow(logged, touched).eta
    found = []
    for part in PARTS:
        before = eta[(eta[:, 0] <= part * logged.coat_gel_s) & np.isfinite(eta[:, 1])]
        if len(before):
            _, best_s, low_s, high_s = before[-1]
            found.append(off_band(best_s, low_s, high_s, logged.coat_gel_s))
    return found


def factor(worlds: Sequence[Sequence[float]]) -> float:
    """Return the factor by which every band must be stretched to cover the worst world."""
    return max(float(np.quantile(world, CLAIMED, method="higher")) for world in worlds)


def left_out(worlds: Mapping[str, Sequence[float]]) -> list[tuple[str, int, float, float, float]]:
    """Return for each world its looks, its coverage without a factor, the factor that the others
    require, and its coverage with it.
    """
    rows = []
    for name, own in worlds.items():
        stretch = factor([other for key, other in worlds.items() if key != name])
        held = np.array(own)
        rows.append(
            (name, len(own), float(np.mean(held <= 1.0)), stretch, float(np.mean(held <= stretch)))
        )
    return rows


def own_world(seed: int, count: int) -> list[Logged]:
    """Return batches of the project's own simulator in the shape of the others."""
    return [
        Logged(
            f"A{seed}-{number}",
            trace.case,
            tuple(_row(row) for row in trace.rows),
            trace.coat_gel_s,
            trace.fault,
            tuple(touch for touch in trace.touches if touch.what == "cup"),
            trace.earlier,
        )
        for number, trace in enumerate(cupsim.traces(cupsim.WORLDS[0], seed, count))
    ]


def _row(row: np.ndarray) -> cupsim.gel.Row:
    time_s, probe_K, air_K = (None if math.isnan(value) else float(value) for value in row)
    return cupsim.gel.Row(time_s or 0.0, probe_K, air_K)


def main(arguments: Sequence[str]) -> None:
    """Print the table of the sets named, such as C9500x8 (world, seed, count)."""
    touched = "--touched" in arguments
    worlds: dict[str, list[float]] = {}
    for name in arguments:
        if not name.startswith("--"):
            seed, count = name[1:].split("x")
            batches = own_world(int(seed), int(count)) if name[0] == "A" else recipes.load(name)
            worlds[name[0]] = [off for logged in batches for off in looks(logged, touched)]
    print("| left out | looks | covered as it is | factor of the others | covered with that |")
    print("| --- | ---: | ---: | ---: | ---: |")
    for world, count, held, stretch, then in left_out(worlds):
        print(f"| {world} | {count} | {percent(held)} | {stretch:.2f} | {percent(then)} |")


if __name__ == "__main__":
    main(sys.argv[1:])
