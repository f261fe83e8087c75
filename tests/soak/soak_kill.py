"""kill -9 at 200 seeded moments; `EVENWALL_KILLS=20` for fewer."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

if __name__ == "__main__":
    os.environ.setdefault("EVENWALL_KILLS", "200")
    sys.exit(pytest.main([str(ROOT / "tests" / "faults" / "test_kill.py"), "-q"]))
