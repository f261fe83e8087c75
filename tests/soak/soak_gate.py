"""Thousands of spoilt documents for every entry.

`make soak ARGS=gate`: five thousand each; `python -m tests.soak.soak_gate 500` for fewer, `... 500
8000` for those from seed 8000 on; names of entries after the numbers for some.
"""

from __future__ import annotations

import random
import sys
import traceback
import warnings
from collections import Counter

from evenwall_bridge.clock import SystemClock
from tests.faults.documents import ENTRIES, close_panel

MANY = 5000
SHOWN = 3  # tracebacks of an entry


def main(words: list[str]) -> int:
    """Hand in the documents and say what became of them; 1 when any was not refused in words."""
    warnings.simplefilter("error")
    numbers = [int(word) for word in words if word.isdigit()]
    many, first = (numbers + [MANY, 0][len(numbers) :])[:2]
    only = words[len(numbers) :] or list(ENTRIES)
    clock, failed = SystemClock(), 0
    print(f"{'entry':16} {'documents':>9} {'taken':>6} {'failed':>6} {'seconds':>7}")
    for entry in only:
        begun_s, found = clock.now_s(), Counter[str]()
        for seed in range(first, first + many):
            try:
                taken = ENTRIES[entry](random.Random(f"soak/{entry}/{seed}"))
                found["taken" if taken else "refused"] += 1
            except Exception:  # noqa: BLE001  every kind is a finding here
                found["failed"] += 1
                if found["failed"] <= SHOWN:
                    print(f"{entry}, seed {seed}:", file=sys.stderr)
                    traceback.print_exc(limit=-6)
        failed += found["failed"]
        took_s = clock.now_s() - begun_s
        print(f"{entry:16} {many:9} {found['taken']:6} {found['failed']:6} {took_s:7.1f}")
    close_panel()
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
