"""A coat begins with the opening up, in whatever direction it lies in the mesh."""

from __future__ import annotations

import math

import numpy as np
import pytest

from evenwall.planning.recipe import ON_AXIS_DEG, Recipe, start_angles


@pytest.mark.parametrize(
    "opening",
    [
        (0, 0, 1),
        (0, 0, -1),
        (1, 0, 0),
        (0, -1, 0),
        (0.6, 0.3, -0.74),
        (-0.2, 0.5, 0.84),
        (0.02, 0, 1),
    ],
)
def test_the_mould_is_poured_with_its_opening_up(opening: tuple[float, float, float]) -> None:
    """By the frame's own definition (DEVELOPERS.md): gravity in the mould, from both angles, must
    point away from the opening; an opening nearly on the axis may be off by as much as is taken
    to lie on it."""
    start = start_angles(Recipe(start_minor_deg=77.0), opening)
    phi, psi = math.radians(start.major), math.radians(start.minor)
    down = -np.array([math.sin(phi) * math.sin(psi), math.sin(phi) * math.cos(psi), math.cos(phi)])
    up = -float(down @ np.array(opening)) / math.hypot(*opening)
    assert up >= math.cos(math.radians(ON_AXIS_DEG))
    if abs(opening[2]) < 0.9:
        assert up == pytest.approx(1.0, abs=1e-9)


def test_about_an_opening_on_the_minor_axis_the_recipe_may_choose() -> None:
    assert start_angles(Recipe(start_minor_deg=77.0), (0.0, 0.0, 1.0)).minor == 77.0
    assert start_angles(Recipe(start_minor_deg=77.0), (0.0, 0.0, -1.0)).major == 180.0
