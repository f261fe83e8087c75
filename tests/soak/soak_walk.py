"""A whole casting by hand in Chromium, its every sheet held against the record: tests/browser/walk.

Wants a machine to itself: at 30 times life a coat waits for nobody.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

WALK = Path(__file__).resolve().parents[1] / "browser" / "walk.py"


def main() -> int:
    command = [sys.executable, "-m", "pytest", "-n0", "-q", "-m", "alone", str(WALK)]
    return subprocess.run(command, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
