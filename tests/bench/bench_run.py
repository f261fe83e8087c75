"""How late the controller's event loop is with a plan search beside it, how much memory it holds,
and how fast whole castings live in virtual time."""

from __future__ import annotations

import asyncio
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from controller.app import Setup, open_house
from firmware_bridge.clock import SystemClock
from tests.faults.simulation import live, plans
from tests.run.shop import SAMPLES, sample_rig

NAP_S = 0.01
MEASURE_S = 30.0
CASTINGS = 10
SEARCH = (
    "from controller.model import read_casting, read_rig; from controller.plan import make_plan; "
    "import sys; make_plan(read_casting(__import__('pathlib').Path(sys.argv[1])), "
    "read_rig(__import__('pathlib').Path(sys.argv[2])), time_budget_s=60.0)"
)
ROOT = Path(__file__).resolve().parents[2]


async def lateness_ms() -> np.ndarray:
    """By how much a nap of 10 ms overslept, with board, probes and record at life's own speed."""
    clock = SystemClock()
    late = []
    with tempfile.TemporaryDirectory() as folder:
        async with open_house(Setup(spec=plans()[0].rig, data=Path(folder))):
            while clock.now_s() < MEASURE_S:
                before_s = clock.now_s()
                await clock.sleep(NAP_S)
                late.append(clock.now_s() - before_s - NAP_S)
    return np.array(late) * 1e3


def main() -> None:
    sample_rig()
    casting = SAMPLES / "lantern-globe.toml"
    rig = ROOT / "hardware" / "rigs" / "small.toml"
    plans()
    search = subprocess.Popen([sys.executable, "-c", SEARCH, str(casting), str(rig)], cwd=ROOT)
    try:
        late = asyncio.run(lateness_ms())
    finally:
        search.kill()
        search.wait()
    points = ", ".join(f"p{p:g} {np.percentile(late, p):.2f} ms" for p in (50, 99, 99.9, 100))
    print(f"loop lateness beside a plan search: {points} of {len(late)} naps")
    peak_MB = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(f"resident at most: {peak_MB:.0f} MB (film and planner loaded)")
    outcomes = [live(seed) for seed in range(CASTINGS)]
    lived_s = sum(outcome.lasted_s for outcome in outcomes)
    cpu_s = sum(outcome.cpu_s for outcome in outcomes)
    print(
        f"castings in virtual time: {cpu_s / CASTINGS:.2f} s of one core each, "
        f"{lived_s / cpu_s:.0f} times faster than life"
    )


if __name__ == "__main__":
    main()
