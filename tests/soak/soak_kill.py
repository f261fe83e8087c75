"""kill -9 at two hundred seeded moments; `EVENWALL_KILLS=20` for fewer. A full run writes the
result into web/guide/soak.md."""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from evenwall.model import Step
from evenwall_bridge.clock import SystemClock
from tests.faults.test_kill import LOOK_S, SPEEDS, Found, one_casting
from tests.soak.page import write_part

ALL = 200
A_CASTING = 25


def table(found: Found, lasted_s: float) -> str:
    moved = "each time it had turned on"
    if found.stood_s:
        moved = f"for {found.stood_s:.0f} s of the board's time, at most, it had not"
    lines = ["| killed at | kills |", "| --- | ---: |"]
    lines += [f"| {step.value} | {found.kills[step]} |" for step in Step if found.kills[step]]
    lines += [
        f"| **all** | **{found.kills.total()}** |",
        "",
        f"- {found.castings} castings of {found.coats} coats, at {SPEEDS[0]:g} and {SPEEDS[1]:g} "
        f"times real speed in turn: {lasted_s / 60:.0f} min of machine time. Every record was "
        f"read back whole, with everything that had been acknowledged; no step was repeated; "
        f"every casting ended.",
        f"- While the frame had to turn, its steps were counted {found.looks} times, every "
        f"{LOOK_S:g} s of machine time: {moved}.",
        f"- From a kill until a controller is at work again: usually {median(found.up_s):.1f} s, "
        f"at most {max(found.up_s):.1f} s (the program itself is already loaded). The board "
        f"holds motion for 10 to 20 s of its time. In {found.exact} coats that was enough every "
        f"time, and every step of both motors was as predicted; in {found.coats - found.exact} the "
        "board kept its last speed by itself at least once, until a controller connected again "
        "and led it back to its planned angle.",
    ]
    return "\n".join(lines)


def main() -> int:
    wanted = int(os.environ.get("EVENWALL_KILLS", ALL))
    found, clock = Found(), SystemClock()
    while (left := wanted - found.kills.total()) > 0:
        with tempfile.TemporaryDirectory() as folder:
            found += one_casting(Path(folder), found.castings, min(A_CASTING, left))
        told = f"{found.kills.total()} kills in {found.castings} castings"
        print(f"{told}, {clock.now_s():.0f} s", file=sys.stderr, flush=True)
    said = table(found, clock.now_s())
    print(said)
    if wanted >= ALL:
        write_part("kills", said)
    return 0


if __name__ == "__main__":
    sys.exit(main())
