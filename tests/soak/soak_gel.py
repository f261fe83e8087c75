"""The gel estimate on 320 sound and 80 faulty batches that it was not calibrated on.

Exits non-zero when an invariant broke: a coat that never gels is never called gelled.
"""

from __future__ import annotations

import sys

from controller import cupsim
from tests.gel_scores import Score, fault_table, run, table

SEED = 2000


def main() -> int:
    traces = [t for world in cupsim.WORLDS for t in cupsim.traces(world, SEED, 80)]
    alone: list[Score] = []
    with_memory: list[Score] = []
    for number, trace in enumerate(traces):
        alone.append(run(trace))
        with_memory.append(run(trace, memory=True))
        if number % 20 == 19:
            print(f"{number + 1} of {len(traces)}", file=sys.stderr, flush=True)
    print("-- the trace alone")
    table(alone)
    print("-- with touches and one earlier batch")
    table(with_memory)
    broken = [
        run(trace)
        for fault in cupsim.FAULTS
        for trace in cupsim.traces(cupsim.WORLDS[0], SEED, 9, fault)
    ]
    print("-- faults")
    fault_table(broken)
    inert = [score for score in broken if score.fault == "no_reaction" and score.called]
    return 1 if inert else 0


if __name__ == "__main__":
    sys.exit(main())
