"""Fifty whole castings by a clumsy maker, by seed: `EVENWALL_CLUMSY=20` for fewer.

Prints what happened in each casting, and whatever the sheet showed that the record contradicts.
"""

from __future__ import annotations

import os
import sys
from collections import Counter

from tests.support.clumsy import clumsy_casting

ALL = 50


def main() -> int:
    fates: Counter[str] = Counter()
    ruined: Counter[str] = Counter()
    broken = mischief = 0
    for seed in range(int(os.environ.get("EVENWALL_CLUMSY", ALL))):
        told = clumsy_casting(seed)
        fates.update(told.fates)
        ruined.update(told.ruined)
        mischief += len(told.mischief)
        broken += bool(told.broken)
        if told.broken:
            print(f"seed {seed}: {told.broken} {told.mischief}", flush=True)
    print(f"{mischief} wrong presses and delays; coats at the end: {dict(fates)}")
    print(f"ruined on the way: {dict(ruined)}; {broken} castings broken")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
