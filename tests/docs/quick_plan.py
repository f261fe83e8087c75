"""`evenwall plan` with a small search: the same words in seconds, and the same plan anywhere.

A search with a limit in seconds would find less on a busy machine, and its output would differ.
"""

from __future__ import annotations

import sys
from dataclasses import replace

from evenwall.cli.main import main
from evenwall.planning import make
from evenwall.planning.effort import FULL

SMALL = replace(
    FULL, search_mm=20.0, search_cells=130, rounds=1, lanes=16, shortlist=4,
    decide_mm=14.0, decide_cells=600, least_cells=340,
)  # fmt: skip

if __name__ == "__main__":
    make.FULL = SMALL
    sys.exit(main(["plan", *sys.argv[1:]]))
