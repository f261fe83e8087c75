"""Heat from coat to coat against closed forms, an energy balance and the single-coat model."""

import math
from dataclasses import replace

import numpy as np
import pytest

from evenwall.errors import OutsideValidity
from evenwall.numerics import cure, heat

ROOM_K = 296.15
SILICONE = cure.WALL_MATERIALS["silicone rubber"]
WALL = heat.Wall(12e-3, SILICONE, ROOM_K, ROOM_K)
SHEET = cure.Sheet(840.0, 0.1, ROOM_K, 0.3, 0.5, 1080.0, peak_K=369.15, demould_s=2400.0)
KIN = cure.kinetics_from_sheet(SHEET)


def slab_error(coat_cells: int) -> float:
    """Largest error of the mean, over the steady mean, of a 6 mm slab with constant generation.

    One face insulated, the other held: mean = (q l^2/k) [1/3 - 2 sum exp(-s^2 Fo)/s^4] with
    s = (n + 1/2) pi (the slab with generation of Carslaw and Jaeger, averaged over its thickness).
    """
    kin = cure.Kinetics(1e-9, 1e5, 0.0, 0.0, ROOM_K, 80.0, 0.7)  # order 0: 1e-4 /s throughout
    metal = cure.WallMaterial(1e9, 1000.0, 1000.0)
    wall = heat.Wall(0.1, metal, ROOM_K, ROOM_K, outer_loss_W_m2K=1e9, cavity_loss_W_m2K=0.0)
    l_m, dt_s = 6e-3, 0.5
    pour = heat.Poured(0.0, l_m, ROOM_K, 0.0)
    found = heat.coats_on_wall(kin, wall, [pour], 600.0, dt_s=dt_s, coat_cells=coat_cells)
    heat_J_m3K = kin.density_kg_m3 * cure.RESIN_HEAT_J_KGK
    top = 1e-4 * 80.0 * heat_J_m3K * l_m**2 / cure.RESIN_CONDUCTIVITY_W_MK
    fourier = found.time_s * cure.RESIN_CONDUCTIVITY_W_MK / heat_J_m3K / l_m**2
    s = (np.arange(40) + 0.5)[:, None] * math.pi
    mean = top * (1.0 / 3.0 - 2.0 * (np.exp(-(s**2) * fourier) / s**4).sum(axis=0))
    return float(np.abs(found.temp_K[:, 0] - ROOM_K - mean).max() / (top / 3.0))


def test_slab_with_constant_generation() -> None:
    """Second order in the cell: halving it quarters the error (3.5 to 4.5 leaves the time step)."""
    coarse, fine = slab_error(4), slab_error(8)
    assert coarse < 1.0 / (2 * 4**2)  # steady: the source of the held half cell sits at its middle
    assert 3.5 < coarse / fine < 4.5


def two_coats(gap_s: float, wall: heat.Wall = WALL) -> heat.Heat:
    pours = [heat.Poured(at, 1.3e-3, ROOM_K, 0.0) for at in (0.0, gap_s)]
    return heat.coats_on_wall(KIN, wall, pours, gap_s + 3600.0)


def test_energy_is_kept() -> None:
    """Made = stored + lost; the tolerance is round-off of some 5000 steps."""
    found = two_coats(1800.0)
    assert found.made_J_m2 > 1e4
    assert found.stored_J_m2 + found.lost_J_m2 == pytest.approx(found.made_J_m2, rel=1e-9)


def test_first_coat_gels_as_the_lumped_model_says() -> None:
    """One coat that was never in a cup: two discretisations of the same physics. 2 % is the lumped
    coat's own error."""
    lumped = cure.coat_history(
        KIN, 1.3e-3, 12e-3, "silicone rubber", ROOM_K, ROOM_K, 0.0, 0.1, duration_s=3600.0
    )
    found = two_coats(3600.0).gel_s(0, KIN.alpha_gel)
    assert found == pytest.approx(cure.gel_time_s(lumped), rel=0.02)


def test_second_coat_gels_earlier_and_less_so_after_a_wait() -> None:
    gaps = (1500.0, 3600.0, 7200.0, 6 * 3600.0)
    first = two_coats(gaps[0]).gel_s(0, KIN.alpha_gel)
    ratio = [(two_coats(gap).gel_s(1, KIN.alpha_gel) - gap) / first for gap in gaps]
    assert ratio == sorted(ratio)
    assert 0.6 < ratio[0] < 0.97
    # The wall is cold again; an older coat under the new one still takes up heat.
    assert 0.97 < ratio[-1] < 1.15


def test_more_loss_leaves_a_cooler_wall() -> None:
    warm = two_coats(1800.0, replace(WALL, outer_loss_W_m2K=10.0))
    cool = two_coats(1800.0, replace(WALL, outer_loss_W_m2K=30.0))
    at = int(np.argmin(np.abs(warm.time_s - 1800.0)))
    assert warm.wall_K[at] > cool.wall_K[at] > ROOM_K


@pytest.mark.parametrize(
    ("pours", "wall"),
    [
        ([heat.Poured(10.0, 1e-3, ROOM_K, 0.0), heat.Poured(5.0, 1e-3, ROOM_K, 0.0)], WALL),
        ([heat.Poured(0.0, 1e-5, ROOM_K, 0.0)], WALL),
        ([], replace(WALL, thickness_m=0.5)),
    ],
)
def test_refuses_what_it_does_not_know(pours: list[heat.Poured], wall: heat.Wall) -> None:
    with pytest.raises(OutsideValidity):
        heat.coats_on_wall(KIN, wall, pours, 100.0)
