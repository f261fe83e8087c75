"""The process that keeps a frame turning is small: large libraries are loaded only in worker
processes."""

from __future__ import annotations

import subprocess
import sys

# SciPy takes 40 MB and 0.5 s; the rest comes with planning, pictures and paper.
HEAVY = (
    "scipy",
    "matplotlib",
    "trimesh",
    "shapely",
    "skimage",
    "lxml",
    "networkx",
    "fpdf",
    "numba",
)


def test_serving_loads_nothing_heavy() -> None:
    code = (
        "import sys, evenwall.cli.serving, evenwall_web.app; "
        "from evenwall.cli.main import say_which_kernel; say_which_kernel(); "
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert told.strip() == "[]"
