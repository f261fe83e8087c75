"""`make bench`: the benches of this folder, one after another; `make bench ARGS=film` runs one and
those named after it (film_growth, film_tools). `answer`, `forms`, `blind`, `lessons` and
`photographs` take an hour or more and run by name only.

A bench is a module `bench_<name>.py` with `main() -> None` that prints its figures as ratios
measured in one run.
"""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

TAKE_AN_HOUR = {"answer", "forms", "blind", "lessons", "photographs"}


def main() -> None:
    wanted = sys.argv[1:]
    for path in sorted(Path(__file__).parent.glob("bench_*.py")):
        name = path.stem.removeprefix("bench_")
        named = any(name == w or name.startswith(f"{w}_") for w in wanted)
        if named or not (wanted or name in TAKE_AN_HOUR):
            print(f"\n== {name} ==", flush=True)
            runpy.run_path(str(path), run_name="__main__")


if __name__ == "__main__":
    main()
