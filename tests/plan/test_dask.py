"""A local Dask cluster as the search's executor: the same films, bit for bit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.model import read_casting, read_rig
from controller.mould import load_cavity
from controller.plan.make import Bench
from controller.plan.search import first_recipes
from controller.plan.walls import AS_PLANNED, COARSE, Grid, Walls, mesh_mm_for

distributed = pytest.importorskip("distributed", reason="the optional extra 'dask'")
ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.filterwarnings("ignore")  # what a library of many sockets warns of is not ours
def test_a_cluster_gives_the_same_films() -> None:
    casting = read_casting(ROOT / "controller" / "samples" / "lantern-globe.toml")
    bench = Bench(
        casting, read_rig(ROOT / "hardware" / "rigs" / "small.toml"), load_cavity(casting)
    )
    grid = Grid.of(bench.cavity, mesh_mm_for(bench.cavity.area_cm2, 130), COARSE)
    pour = bench.pour(bench.batch(1.5))
    wanted = [(one, AS_PLANNED) for one in first_recipes(pour, np.random.default_rng(0), 18)]
    here = Walls(grid, pour).of(wanted)
    with distributed.Client(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as client:
        there = Walls(grid, pour, client.get_executor()).of(wanted)
    assert (here == there).all()
