"""A local Dask cluster as the search's executor: the same films and the same plan, bit for bit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from evenwall.geometry.mould import load_cavity
from evenwall.model import read_casting, read_rig
from evenwall.planning.context import PlanningContext
from evenwall.planning.effort import Effort
from evenwall.planning.search import Search
from evenwall.planning.walls import BAD_DAYS, Budget

distributed = pytest.importorskip("distributed", reason="the optional extra 'dask'")
ROOT = Path(__file__).resolve().parents[2]
TINY = Effort(20.0, 130, 1, 18, 6, (1.0,), BAD_DAYS[:1], 14.0, 300)


@pytest.mark.filterwarnings("ignore")  # warnings of a library with many sockets are not ours
def test_a_cluster_gives_the_same_plan() -> None:
    casting = read_casting(ROOT / "controller" / "samples" / "lantern-globe.toml")
    bench = PlanningContext(
        casting, read_rig(ROOT / "hardware" / "rigs" / "small.toml"), load_cavity(casting)
    )
    pour = bench.pour(bench.batch(1.5))

    def search(executor: Any) -> Search:
        one = Search(bench.cavity, pour, 2, 7, TINY, executor, lambda *_: None, Budget())
        one.run()
        return one

    here = search(None)
    with distributed.Client(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as client:
        there = search(client.get_executor())
    assert there.found.recipes == here.found.recipes
    assert (there.found.coats_m == here.found.coats_m).all()
    assert there.found.worst_min == here.found.worst_min
