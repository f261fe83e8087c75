"""The gel estimate beside what a maker would do without it, and the time of one update.

Errors are of the coat's true gel time, on batches the estimate was not calibrated on.
"""

from __future__ import annotations

import numpy as np

from evenwall.numerics import cure_march
from tests.support import cupsim
from tests.support.gel_scores import Score, line, run, steepest_s

SEED, COUNT = 4100, 12
LIMIT_MS = 10.0


def updates(scores: list[Score]) -> str:
    typical = np.median([score.update_ms[0] for score in scores])
    slowest = np.median([score.update_ms[1] for score in scores])
    return f"{typical:.1f} ms of processor time, the slowest of a casting {slowest:.1f} ms"


def main() -> None:
    traces = cupsim.traces(cupsim.WORLDS[0], SEED, COUNT)
    for name, told_s in (
        ("pot life as printed", [t.case.sheet.pot_life_s for t in traces]),
        ("steepest slope", [steepest_s(t) for t in traces]),
    ):
        truth_s = np.array([t.coat_gel_s for t in traces])
        off = 100.0 * np.abs(np.array(told_s) / truth_s - 1.0)
        print(f"{name}: {np.median(off):.0f} / {np.quantile(off, 0.9):.0f} %")
    compiled = [run(trace) for trace in traces]
    print(line("the estimate, trace alone", compiled))
    print(f"an update that refits: {updates(compiled)}; wanted at most {LIMIT_MS:.0f} ms")
    cure_march._kernel = lambda: None
    print(f"without a C compiler: {updates([run(trace) for trace in traces[:3]])}")


if __name__ == "__main__":
    main()
