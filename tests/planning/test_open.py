"""A mouth left open during turning: the resin that runs over is computed, added to the weights and
reported."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from evenwall.geometry.film_mesh import mesh_mm_for
from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, Opening, read_casting, read_rig
from evenwall.planning import make_plan
from evenwall.planning.context import DEFAULT_RECIPES, RUNS_OUT_MOST, PlanningContext
from evenwall.planning.walls import COARSE, Grid, run_over

ROOT = Path(__file__).resolve().parents[2]
RIG = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
GLOBE = read_casting(ROOT / "controller" / "samples" / "lantern-globe.toml")


def left_open(casting: Casting) -> Casting:
    return casting.model_copy(update={"opening": Opening(state="open")})


def test_what_runs_over_and_what_stays_is_what_was_poured() -> None:
    """They agree as well as the film conserves mass; the film mesh's area is the wall's within
    1 %."""
    bench = PlanningContext(left_open(GLOBE), RIG, load_cavity(GLOBE))
    pour = bench.pour(bench.batch(1.5))
    grid = Grid.of(bench.cavity, mesh_mm_for(bench.cavity.area_cm2, 200), COARSE)
    films, spilt_m3 = run_over(grid, pour, DEFAULT_RECIPES[:2], 1)
    stayed = films @ grid.weights.area
    assert stayed + spilt_m3 == pytest.approx(pour.volume_m3, rel=1e-9)
    # The pool of a globe stands over a mouth half as wide as it at the first turn over.
    assert (spilt_m3 > RUNS_OUT_MOST * pour.volume_m3).all()


def test_a_mouth_that_would_pour_all_out_is_planned_capped_and_told() -> None:
    plan = make_plan(left_open(GLOBE), RIG, time_budget_s=0.0)
    assert {coat.opening_state for coat in plan.coats} == {"capped"}
    assert "would run out at the first turn" in plan.cautions[0]
    assert "drip tray" in plan.cautions[0]
    assert sum(coat.spill_g for coat in plan.coats) == 0.0


def test_a_narrow_mouth_left_open_spills_and_is_weighed_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bulb with a mouth of 24 mm, and whatever share runs out allowed: by hand, mixed less cup
    less spilt is what is on the wall, and spilt grams are over nothing but the mouth."""
    monkeypatch.setattr("evenwall.planning.context.RUNS_OUT_MOST", 1.0)
    ball = trimesh.creation.icosphere(subdivisions=4, radius=40.0)
    ball.slice_plane([0, 0, 38.0], [0, 0, -1]).export(tmp_path / "bulb.ply")
    bulb = left_open(GLOBE.model_copy(update={"mesh": tmp_path / "bulb.ply", "wall_mm": 2.4}))
    plan = make_plan(bulb.model_copy(update={"coats": 2}), RIG, time_budget_s=0.0)
    density = plan.casting.resin.sheet.cured_density_g_cm3
    for coat in plan.coats:
        assert coat.opening_state == "open"
        assert coat.spill_g > 0.0
        assert coat.lid_g == 0.0
        on_wall = coat.mix_g - coat.cup_left_g - coat.spill_g
        assert on_wall == pytest.approx(coat.mean_mm * 0.1 * plan.geometry.area_cm2 * density)
    assert "run over" in plan.cautions[0]
    assert np.isfinite(plan.totals.resin_g)
