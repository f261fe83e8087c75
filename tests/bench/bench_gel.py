"""Accuracy and speed of the gel estimate on batches it was not calibrated on."""

from __future__ import annotations

from controller import cupsim
from tests.gel_scores import fault_table, run, table

SEED = 1000
EACH = 10  # traces of each world
EACH_FAULT = 2


def main() -> None:
    traces = [t for world in cupsim.WORLDS for t in cupsim.traces(world, SEED, EACH)]
    print("-- the trace alone (errors in % of the true gel time, median / 90th percentile)")
    table([run(trace) for trace in traces])
    print("-- with touches and one earlier batch")
    table([run(trace, memory=True) for trace in traces])
    print("-- faults")
    broken = [
        trace
        for fault in cupsim.FAULTS
        for trace in cupsim.traces(cupsim.WORLDS[0], SEED, EACH_FAULT, fault)
    ]
    fault_table([run(trace) for trace in broken])


if __name__ == "__main__":
    main()
