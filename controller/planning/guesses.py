"""Starting guesses of a search: the spins of earlier plans of this mould, or of forms like it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from evenwall.geometry.mould import Cavity
from evenwall.model import Casting
from evenwall.planning.earlier import Earlier
from evenwall.planning.recipe import Recipe, within_limits
from evenwall.planning.walls import Pour

# Differences at which two forms count as unlike, in: the logarithm of the skin; the logarithm of
# skin^1.5 over volume (the ratio is 10.6 for a ball); the opening's share of the skin; height over
# width; the height of the skin's centre, as a share of the form's height. They are judged from
# which recipes still lead on another form, not fitted.
UNLIKE = np.array([0.5, 0.3, 0.15, 0.4, 0.15])
MOST_EARLIER, MOST_RECIPES = 3, 12  # plans that are considered, and recipes taken from them
CLOSE_RATIO = 1.25  # of walls or resin figures: within it two plans count as the same casting


@dataclass(frozen=True)
class Guesses:
    """Recipes to try before all others, and the plan to keep unless a better one is found.

    The search takes as long as it would without them; whether it could be shorter was not measured.
    """

    known: tuple[Recipe, ...] = ()
    stays: tuple[Recipe, ...] = ()


def form_of(cavity: Cavity) -> NDArray[np.float64]:
    """Return the five figures by which forms are compared, see UNLIKE."""
    up = np.asarray(cavity.opening.direction)
    corners = cavity.vertices_mm[cavity.triangles]
    middle = corners.mean(axis=1)
    area = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    along = cavity.vertices_mm @ up
    across = cavity.vertices_mm - np.multiply.outer(along, up)
    tall = float(np.ptp(along))
    wide = 2.0 * float(np.linalg.norm(across - across.mean(axis=0), axis=1).max())
    skin_cm2 = float(area.sum()) / 100.0
    centre = (float(middle @ up @ area) / float(area.sum()) - float(along.min())) / tall
    return np.array(
        [
            np.log(skin_cm2),
            np.log(skin_cm2**1.5 / cavity.solid_volume_cm3),
            cavity.opening.area_cm2 / skin_cm2,
            tall / wide,
            centre,
        ]
    )


def guesses(
    earlier: Sequence[Earlier], casting: Casting, cavity: Cavity, coats: int, pour: Pour
) -> Guesses:
    """Choose earlier plans of this mould and of similar forms, the nearest first."""
    here = form_of(cavity)
    ranked = sorted(
        (one for one in earlier if len(one.form) == len(here)),
        key=lambda one: _apart(one, casting, cavity, here),
    )
    near = [one for one in ranked if _apart(one, casting, cavity, here) <= 1.0][:MOST_EARLIER]
    if not near:
        return Guesses()
    found = [recipe for one in near for recipe in recipes_of(one)]
    known = [one for one in dict.fromkeys(found) if within_limits(one, pour.clock(one), pour.rig)]
    first = near[0]
    if first.mesh_sha256 == cavity.mesh_sha256 and first.coats == coats:
        stays = recipes_of(first)
        if all(one in known for one in stays):
            return Guesses(tuple(known[:MOST_RECIPES]), stays)
    return Guesses(tuple(known[:MOST_RECIPES]))


def recipes_of(earlier: Earlier) -> tuple[Recipe, ...]:
    """Return the recipes of an earlier plan, leaving out fields that this version does not know."""
    plain = Recipe()
    kinds = {field.name: type(getattr(plain, field.name)) for field in fields(plain)}
    return tuple(
        replace(plain, **{name: kinds[name](one[name]) for name in kinds if name in one})
        for one in earlier.recipes
    )


def _apart(earlier: Earlier, casting: Casting, cavity: Cavity, form: NDArray[np.float64]) -> float:
    """Return the difference of two castings. Up to 1, the spins of one are a good start for the
    other."""
    sheet = casting.resin.sheet
    ratios = np.log(
        [
            earlier.wall_mm / casting.wall_mm,
            earlier.viscosity_mPa_s / sheet.mixed_viscosity_mPa_s,
            earlier.pot_life_min / sheet.pot_life_min,
        ]
    ) / np.log(CLOSE_RATIO)
    stuff = float(np.linalg.norm(ratios)) / 2.0
    if earlier.mesh_sha256 == cavity.mesh_sha256:
        return 0.5 * stuff
    return float(np.hypot(np.linalg.norm((np.array(earlier.form) - form) / UNLIKE), stuff))
