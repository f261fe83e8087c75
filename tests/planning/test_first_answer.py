"""A first answer: coats and grams of the plan that a search refines, and a wall with its error."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from evenwall.errors import NotConverged
from evenwall.model import Plan, ShapeKnown, WallSummary, read_casting
from evenwall.numerics.film import FilmMesh
from evenwall.planning import first_answer, make_plan
from evenwall.planning.first_answer import first_plan
from evenwall.planning.in_words import first_words
from evenwall.planning.shape_error import with_shape_error
from evenwall.planning.wall import compute_wall
from tests.support.virtual_shop import SAMPLES, sample_rig


def first(name: str) -> Plan:
    return first_plan(read_casting(SAMPLES / f"{name}.toml"), sample_rig())


@pytest.mark.parametrize("name", ["lantern-globe", "bell-shade"])
def test_first_answer_has_a_wall_with_its_error(name: str) -> None:
    plan = first(name)
    usual = make_plan(plan.casting, plan.rig, time_budget_s=0.0)
    assert plan.coats == usual.coats
    assert plan.totals == usual.totals
    wall = plan.wall
    assert wall.min_mm is not None
    assert wall.mesh_error_mm is not None
    assert wall.error_mm is not None
    # Every coat is laid: the mean is the grams over the skin; the coarse mesh's area is 1 % less.
    assert wall.mean_mm == pytest.approx(usual.wall.mean_mm, rel=0.01)
    assert 0.3 * wall.mean_mm < wall.min_mm < wall.mean_mm
    assert (wall.shape_error_mm is not None) == (plan.casting.shape is not None)
    assert "first answer" in wall.note
    said = first_words(plan)
    assert f"{plan.totals.resin_g:.0f} g weighed" in said
    assert f"{wall.min_mm:.2f} +- {wall.error_mm:.2f} mm" in said


def test_two_meshes_at_once_give_the_same_wall(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each mesh has a core of its own, and neither takes the other's place."""
    casting, rig = read_casting(SAMPLES / "lighthouse.toml"), sample_rig()
    plan = make_plan(casting, rig, time_budget_s=0.0)

    def flat(plan: Plan, many: Any, mesh: FilmMesh, threads: int) -> Any:
        del many, threads
        return mesh, np.full((len(plan.coats), mesh.cells), 1e-6 * mesh.cells), np.zeros(3)

    monkeypatch.setattr("evenwall.planning.wall.flow_coats", flat)
    one, two = (compute_wall(plan, 6.0, together=together) for together in (False, True))
    assert one.summary() == two.summary()
    assert one.coarse == two.coarse
    assert one.mesh.cells == two.mesh.cells > 1.5 * two.coarse_cells


def test_a_wall_that_cannot_be_computed_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise NotConverged("the film", 1.0, 3)

    monkeypatch.setattr(first_answer, "compute_wall", never)
    wall = first("lantern-globe").wall
    assert wall.min_mm is None
    assert "cannot be computed" in wall.note


def test_worst_day_has_the_largest_skin_that_the_shape_allows() -> None:
    """The resin is weighed: on a skin 3 % larger it is 1/1.03 as thick (conservation)."""
    wall = WallSummary(target_mm=4.0, mean_mm=4.0, min_mm=3.5, worst_case_min_mm=3.2)
    casting = read_casting(SAMPLES / "lantern-globe.toml")
    assert with_shape_error(wall, casting) == wall, "a drawing is taken as exact"
    measured = casting.model_copy(update={"shape": ShapeKnown(area_error_percent=3.0)})
    known = with_shape_error(wall, measured)
    assert known.shape_error_mm == pytest.approx(0.105)
    assert known.worst_case_min_mm == pytest.approx(3.2 / 1.03)
    assert with_shape_error(wall.model_copy(update={"worst_case_min_mm": None}), measured) == (
        known.model_copy(update={"worst_case_min_mm": None})
    )
