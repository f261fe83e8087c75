"""`make soak`: every long run in this folder, one after another; `make soak ARGS=gel` runs one.

A soak is a module `soak_<name>.py` run as a script; it exits non-zero when an invariant broke.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def main() -> int:
    wanted, worst = sys.argv[1:], 0
    for path in sorted(Path(__file__).parent.glob("soak_*.py")):
        name = path.stem.removeprefix("soak_")
        if not wanted or name in wanted:
            print(f"\n== {name} ==", flush=True)
            module = f"tests.soak.{path.stem}"
            done = subprocess.run([sys.executable, "-m", module], check=False)
            worst = max(worst, done.returncode)
    return worst


if __name__ == "__main__":
    sys.exit(main())
