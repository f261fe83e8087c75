"""Ten thousand whole castings with faults; `EVENWALL_CASTINGS=200` for fewer.

Prints the losses by cause, and the command that repeats each failed casting; a full run writes the
table into web/guide/soak.md.
"""

from __future__ import annotations

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.faults.simulation import live, plans, replay_command, settle, table
from tests.soak.page import write_part

ALL = 10_000


def main() -> int:
    castings = int(os.environ.get("EVENWALL_CASTINGS", ALL))
    plans()
    outcomes = []
    with ProcessPoolExecutor(os.cpu_count(), get_context("fork"), settle) as pool:
        for outcome in pool.map(live, range(castings), chunksize=10):
            outcomes.append(outcome)
            if outcome.broken:
                said = f"{outcome.kinds}: {outcome.broken[0]}"
                print(f"{replay_command(outcome.seed)}  # {said}", flush=True)
            if outcome.seed % 1000 == 999:
                print(f"{outcome.seed + 1} castings", file=sys.stderr, flush=True)
    found = table(outcomes)
    print(found)
    if castings >= ALL:
        write_part("castings", found)
    return 1 if any(outcome.broken for outcome in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
