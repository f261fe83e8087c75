"""Searches begin with the spins of earlier plans of the same mould and of similar forms."""

from __future__ import annotations

from dataclasses import asdict
from functools import cache

import numpy as np
import pytest

from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import Casting, read_casting
from evenwall.planning.context import PlanningContext
from evenwall.planning.earlier import FORM, Earlier, earlier_of
from evenwall.planning.guesses import Guesses, form_of, guesses
from evenwall.planning.recipe import Recipe
from evenwall.planning.walls import Pour
from tests.support.virtual_shop import SAMPLES, lantern_plan, sample_rig

RECIPES = (Recipe(level_rpm=7.0), Recipe(level_rpm=9.0, reverse=True), Recipe(ratio=0.4))


@cache
def globe() -> tuple[Casting, Cavity, Pour]:
    casting = read_casting(SAMPLES / "lantern-globe.toml")
    cavity = load_cavity(casting)
    context = PlanningContext(casting, sample_rig(), cavity)
    return casting, cavity, context.pour(context.batch(1.5))


def earlier(**more: object) -> Earlier:
    casting, cavity, _ = globe()
    sheet = casting.resin.sheet
    known = {
        "mesh_sha256": cavity.mesh_sha256,
        "form": tuple(form_of(cavity)),
        "coats": 3,
        "wall_mm": casting.wall_mm,
        "viscosity_mPa_s": sheet.mixed_viscosity_mPa_s,
        "pot_life_min": sheet.pot_life_min,
        "kept": 0.8,
        "recipes": tuple(asdict(one) for one in RECIPES),
    }
    return Earlier.model_validate(known | more)


def asked(*known: Earlier, coats: int = 3) -> Guesses:
    casting, cavity, pour = globe()
    return guesses(known, casting, cavity, coats, pour)


def test_a_plan_of_the_same_casting_stays_unless_a_better_is_found() -> None:
    found = asked(earlier())
    assert found.stays == RECIPES
    assert found.known == RECIPES


def test_a_form_like_it_gives_recipes_to_begin_with() -> None:
    form = form_of(globe()[1]) + np.array(
        [0.1, 0.0, 0.01, 0.05, 0.0]
    )  # a tenth more skin, a little taller
    found = asked(earlier(mesh_sha256="0" * 64, form=tuple(form)))
    assert found.stays == ()
    assert found.known == RECIPES


@pytest.mark.parametrize(
    "more",
    [
        {"mesh_sha256": "0" * 64, "form": (9.0, 3.0, 0.2, 3.0, 0.5)},
        {"mesh_sha256": "0" * 64, "form": (1.0,)},
        {"viscosity_mPa_s": 9000.0, "pot_life_min": 45.0},
    ],
)
def test_what_is_unlike_is_left_alone(more: dict[str, object]) -> None:
    assert asked(earlier(**more)) == Guesses()


def test_other_coats_of_the_same_mould_are_a_start_only() -> None:
    assert asked(earlier(), coats=2).stays == ()


def test_form_does_not_depend_on_where_the_mesh_stands() -> None:
    _, cavity, _ = globe()
    here = form_of(cavity)
    moved = Cavity(
        **{
            **{name: getattr(cavity, name) for name in cavity.__dataclass_fields__},
            "vertices_mm": cavity.vertices_mm + np.array([5.0, -9.0, 40.0]),
        }
    )
    assert form_of(moved) == pytest.approx(here, rel=1e-9)
    # A ball of radius 70 open at the top: skin^1.5 over volume is near 6 sqrt(pi) = 10.6.
    assert np.exp(here[1]) == pytest.approx(6.0 * np.sqrt(np.pi), rel=0.1)


def test_a_plan_without_a_search_leaves_nothing() -> None:
    plan = lantern_plan()
    assert earlier_of(plan) is None
    assert len(plan.details[FORM]) == len(form_of(globe()[1]))
    searched = plan.wall.model_copy(
        update={"min_mm": 0.8 * plan.wall.mean_mm, "mesh_error_mm": 0.1}
    )
    left = earlier_of(plan.model_copy(update={"wall": searched}))
    assert left is not None
    assert left.kept == pytest.approx(0.8)
    assert len(left.recipes) == left.coats == len(plan.coats)
    assert Earlier.model_validate_json(left.model_dump_json()) == left
