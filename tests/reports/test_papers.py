"""Papers for a phone: the mesh of their pictures."""

from __future__ import annotations

import pytest

from evenwall.geometry.film_mesh import cells_for
from evenwall.geometry.mould import load_cavity
from evenwall.model import Plan, read_casting
from evenwall.numerics.film.mesh import MIN_CELLS
from evenwall.planning import make_plan
from evenwall.planning.wall import COARSER, default_mesh_mm
from evenwall.reports.papers import quick_mesh_mm
from tests.support.virtual_shop import SAMPLES, sample_rig


def filmed(name: str) -> Plan:
    """A plan whose wall counts as computed."""
    plan = make_plan(read_casting(SAMPLES / f"{name}.toml"), sample_rig(), time_budget_s=0.0)
    return plan.model_copy(update={"wall": plan.wall.model_copy(update={"min_mm": 3.0})})


@pytest.mark.parametrize("name", ["lantern-globe", "lighthouse", "bell-shade"])
def test_a_phones_pictures_are_computed_on_fewer_cells(name: str) -> None:
    """Half the cells, in longer steps: a third of the time. The second mesh still has enough."""
    plan = filmed(name)
    cavity, spacing = load_cavity(plan.casting), quick_mesh_mm(plan)
    assert spacing is not None
    assert default_mesh_mm(cavity) <= spacing <= COARSER * default_mesh_mm(cavity)
    assert cells_for(cavity.area_cm2, COARSER * spacing) >= MIN_CELLS


def test_a_plan_without_a_film_has_no_picture() -> None:
    plan = make_plan(read_casting(SAMPLES / "bell-shade.toml"), sample_rig(), time_budget_s=0.0)
    assert quick_mesh_mm(plan) is None
