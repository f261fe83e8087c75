"""A blind casting: its random errors, the frame's angles, and the measurements."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from evenwall.simulation.blind.draws import draw, plain
from evenwall.simulation.blind.gauging import OFF_MM, READINGS, Spots
from evenwall.simulation.blind.surface import with_lid
from evenwall.simulation.blind.world import planned_turning
from tests.support.virtual_shop import lantern_plan


def test_the_same_seed_draws_the_same_casting_within_the_spreads() -> None:
    assert draw("a", 3) == draw("a", 3)
    assert draw("a", 3) != draw("b", 3)
    for seed in range(50):
        luck = draw(seed, 3)
        assert 0.9 <= luck.activation <= 1.1
        assert 0.8 <= luck.viscosity <= 1.2
        assert 0.025 <= luck.tension_N_m <= 0.045
        assert max(abs(s) for s in luck.hands_s) <= 30.0
        assert all(0.95 <= share <= 1.05 for share in luck.pour)


def test_the_frame_turns_as_the_profile_says() -> None:
    """Angles from a plan's ramps against the profile that the planner itself turns by."""
    coat = lantern_plan().coats[0]
    turning = planned_turning(coat, 12.0)
    assert turning.time_s[0] == pytest.approx(coat.clock.spin_from_s + 12.0)
    from evenwall.planning.wall import film_coat

    spin = film_coat(coat, 1.06).spin
    for at_s in (1.0, 60.0, 300.0):
        down = spin.pull(coat.clock.spin_from_s + at_s)[0]
        t = coat.clock.spin_from_s + 12.0 + at_s
        phi = np.interp(t, turning.time_s, turning.major_rad)
        psi = np.interp(t, turning.time_s, turning.minor_rad)
        seen = -np.array([np.sin(phi) * np.sin(psi), np.sin(phi) * np.cos(psi), np.cos(phi)])
        # Straight lines between knots 0.25 s apart: within a hundredth of a radian.
        assert seen == pytest.approx(down, abs=0.01)


def test_an_even_film_is_weighed_and_gauged_as_what_it_is() -> None:
    """4 mm on a ball of 70 mm: the weight is that of 4 mm over the area; the gauge reads more by a
    share h/R, less the shrinkage. Both hold within the errors of a hand and of the mesh's facets
    (0.5 %)."""
    whole = trimesh.creation.icosphere(subdivisions=4, radius=0.07)
    cut = whole.slice_plane([0.0, 0.0, 0.045], [0.0, 0.0, -1.0])
    cut.merge_vertices()
    surface = with_lid(
        np.asarray(cut.vertices), np.asarray(cut.faces)[:, ::-1].astype(np.int64), 5e-3
    )
    film = np.where(surface.lid, 1e-3, 4e-3)
    luck = plain(3)
    measured, truth = Spots.of(surface).measured(film, luck, 1060.0)
    wall_m2 = 2.0 * np.pi * 0.07 * (0.07 + 0.045)
    assert measured.weight_g == pytest.approx(wall_m2 * 4e-3 * 1.06e6, rel=0.01)
    assert measured.lid_g == pytest.approx(np.pi * (0.07**2 - 0.045**2) * 1060.0, abs=1.0)
    assert len(measured.readings) == READINGS
    cured_mm = 4.0 * (1.0 - luck.shrinks)
    inside = [r for r in measured.readings if r.high_mm < 100.0]
    assert len(inside) >= 6
    for reading in inside:
        gauge_mm = cured_mm * (1.0 + cured_mm / 70.0)
        assert reading.gauge_mm == pytest.approx(gauge_mm, abs=OFF_MM + 0.07)
    assert truth.mean_mm == pytest.approx(cured_mm)
    assert truth.min_mm == pytest.approx(cured_mm, rel=1e-6)
