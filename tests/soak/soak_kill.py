"""kill -9 at two hundred seeded moments; `EVENWALL_KILLS=20` for fewer. All of them write what was
found into web/guide/soak.md."""

from __future__ import annotations

import os
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from controller.model import Step
from tests.faults.test_kill import SPEED, one_casting
from tests.soak.page import write_part

ALL = 200
A_CASTING = 15


def main() -> int:
    wanted = int(os.environ.get("EVENWALL_KILLS", ALL))
    steps: Counter[Step] = Counter()
    castings = 0
    while steps.total() < wanted:
        with tempfile.TemporaryDirectory() as folder:
            kills = min(A_CASTING, wanted - steps.total())
            steps += one_casting(Path(folder), castings, kills)
        castings += 1
        print(f"{steps.total()} kills in {castings} castings", file=sys.stderr, flush=True)
    told = ", ".join(f"{count} at `{step.value}`" for step, count in steps.most_common())
    found = (
        f"The process was killed (`kill -9`) {steps.total()} times in {castings} castings at "
        f"{SPEED:g} times life's speed, on the board's firmware behind a pseudo-terminal: {told}. "
        "The frame never stood while it should have turned, every record read back whole with "
        "everything acknowledged in it, no step was repeated, and every casting ended as it would "
        "have."
    )
    print(found)
    if wanted >= ALL:
        write_part("kills", found)
    return 0


if __name__ == "__main__":
    sys.exit(main())
