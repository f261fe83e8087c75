"""The blind world's cure and heat: its sheet, energy, a closed form, and the effect of earlier
coats."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from evenwall.simulation.blind.heat import (
    HOLDS,
    Cured,
    Mould,
    Poured,
    Resin,
    SheetSays,
    in_cup,
    on_wall,
    resin_of,
)

SHEET = SheetSays(540.0, 0.1, 296.15, 0.6, 1060.0, 371.15)
ROOM = np.array([294.15])


@cache
def resin() -> Resin:
    return resin_of(SHEET, np.ones(1), np.ones(1))


@cache
def three_coats(second_s: float = 2100.0) -> Cured:
    cup = in_cup(resin(), np.array([0.12]), ROOM, np.array([280.0]))
    poured = Poured(
        280.0 + second_s * np.arange(3.0)[None, :],
        np.full((1, 3), 1.5e-3),
        np.repeat(cup["temp_K"][:, None], 3, axis=1),
        np.repeat(cup["alpha"][:, None], 3, axis=1),
    )
    mould = Mould("silicone rubber", 12e-3, ROOM, ROOM, np.full(1, 12.0))
    return on_wall(resin(), mould, poured, np.ones((1, 3)), 1500.0)


def test_the_cup_gels_and_peaks_as_the_sheet_says() -> None:
    cup = in_cup(resin(), np.array([0.1]), np.array([296.15]), np.array([1600.0]))
    # What the fit stops at: 0.5 % each.
    assert float(cup["gel_s"][0]) == pytest.approx(540.0, rel=0.006)
    assert float(cup["peak_K"][0] - 296.15) == pytest.approx(75.0, rel=0.006)


def test_heat_made_is_heat_stored_and_lost() -> None:
    assert abs(float(three_coats().energy_error[0])) < 1e-12


def test_earlier_coats_bring_the_next_gels_forward() -> None:
    """Coats poured as soon as they may: 14 to 33 % earlier, over outer losses of 10 to 30 W/m2 K
    and four walls, by an independent model of heat; a longer wait brings most of it back."""
    soon, late = three_coats(), three_coats(5400.0)
    gel_s = soon.gel_s[0] + 280.0
    assert 0.10 < 1.0 - gel_s[1] / gel_s[0] < 0.33
    assert gel_s[2] < gel_s[1]
    assert late.gel_s[0, 2] > soon.gel_s[0, 2]
    assert 4.0 < float(soon.wall_K[0, 1] - ROOM[0]) < 10.0


def test_a_warm_mould_of_metal_cools_as_one_body() -> None:
    """exp(-t/tau), tau = capacity over loss: at a Biot number of 0.001 a wall is of one
    temperature (Carslaw and Jaeger 1959). The coat on it follows within its own lag."""
    inert = Resin(np.zeros(1), np.ones(1), np.zeros(1), np.full(1, 5e4), np.ones(1), 1060.0)
    warm = ROOM + 20.0
    wall = Mould("aluminium", 8e-3, warm, ROOM, np.full(1, 12.0), cavity_loss=2.0)
    coat = Poured(np.zeros((1, 1)), np.full((1, 1), 1.5e-3), warm[:, None], np.zeros((1, 1)))
    found = on_wall(inert, wall, coat, np.ones((1, 1)), 600.0)
    holds = 8e-3 * 2700.0 * 900.0 + 1.5e-3 * 1060.0 * HOLDS
    left_K = 20.0 * math.exp(-600.0 * 14.0 / holds)
    assert float(found.temp_K[0, 0, -1] - ROOM[0]) == pytest.approx(left_K, rel=0.01)
