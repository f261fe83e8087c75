"""Parts of a plan that later searches begin with. This module is light: it loads no search."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from evenwall.model import Plan
from evenwall.model.bounds import Finite, Frozen, Hash, Words

FORM = "form"  # the detail of a plan by which similar forms are found


class Earlier(Frozen):
    """Parts of an earlier plan that a new search can begin with.

    form: the figures of `form_of`. kept: thinnest patch over the mean wall. viscosity_mPa_s and
    pot_life_min: from the resin's sheet.
    """

    mesh_sha256: Hash
    form: Annotated[tuple[Finite, ...], Field(max_length=16)]
    coats: Annotated[int, Field(ge=1, le=24)]
    wall_mm: Finite
    viscosity_mPa_s: Finite
    pot_life_min: Finite
    kept: Finite
    recipes: Annotated[tuple[dict[Words, Finite | bool], ...], Field(max_length=24)]


def earlier_of(plan: Plan) -> Earlier | None:
    """Return the parts of a plan that serve later searches, or None without a search's recipes and
    wall."""
    form, recipes, wall = plan.details.get(FORM), plan.details.get("recipes"), plan.wall
    if not form or not recipes or wall.min_mm is None or wall.mesh_error_mm is None:
        return None
    sheet = plan.casting.resin.sheet
    return Earlier(
        mesh_sha256=plan.geometry.mesh_sha256,
        form=tuple(form),
        coats=len(plan.coats),
        wall_mm=plan.casting.wall_mm,
        viscosity_mPa_s=sheet.mixed_viscosity_mPa_s,
        pot_life_min=sheet.pot_life_min,
        kept=wall.min_mm / wall.mean_mm,
        recipes=tuple(recipes),
    )
