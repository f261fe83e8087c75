"""`make bench`: every bench in this folder, one after another; `make bench ARGS=film` runs one and
those named after it (film_growth, film_tools).

A bench is a module `bench_<name>.py` with `main() -> None` that prints its figures as ratios
measured in one run.
"""

from __future__ import annotations

import runpy
import sys
from pathlib import Path


def main() -> None:
    wanted = sys.argv[1:]
    for path in sorted(Path(__file__).parent.glob("bench_*.py")):
        name = path.stem.removeprefix("bench_")
        if not wanted or any(name == w or name.startswith(f"{w}_") for w in wanted):
            print(f"\n== {name} ==", flush=True)
            runpy.run_path(str(path), run_name="__main__")


if __name__ == "__main__":
    main()
