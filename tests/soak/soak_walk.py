"""Whole castings by hand in Chromium, with every sheet compared with the record:
tests/browser/walk.

`EVENWALL_WALKS=10` for more than one. Needs a machine to itself: at 30 times real speed a coat does
not wait. A second casting is watched while a scripted operator does the manual work. `make test`
walks a coat by hand, with its faults.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

WALK = Path(__file__).resolve().parents[1] / "browser" / "walk.py"


def main() -> int:
    command = [sys.executable, "-m", "pytest", "-n0", "-q", "-m", "alone", str(WALK)]
    many = int(os.environ.get("EVENWALL_WALKS", "1"))
    broken = sum(subprocess.run(command, check=False).returncode != 0 for _ in range(many))
    print(f"{many} walks, {broken} of them with something wrong")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
