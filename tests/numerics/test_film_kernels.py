"""The batched kernel against the plain reference, and what both must conserve."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from controller.film import Coat, FilmMesh, Fluid, Spin, coat, coats, have_compiler
from controller.units import rad_s

MEAN_M = 1.3e-3


def open_sphere(subdivisions: int) -> FilmMesh:
    """An icosphere of 80 mm radius without its cap above 60 degrees of latitude."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions, radius=0.08)
    keep = ball.triangles_center[:, 2] < 0.05
    part = ball.submesh([np.flatnonzero(keep)], append=True)
    return FilmMesh.build(part.vertices, part.faces[:, ::-1])


def resin(gel_s: float, mu0_Pa_s: float = 0.6) -> Fluid:
    time_s = np.linspace(0.0, 0.99 * gel_s, 60)
    return Fluid(1080.0, 0.035, time_s, mu0_Pa_s * (1.0 - time_s / gel_s) ** -2.0)


@pytest.mark.parametrize("rim_open", [False, True])
def test_batched_equals_reference_and_keeps_mass(rim_open: bool) -> None:
    mesh = open_sphere(3)
    pour = MEAN_M * mesh.total_area
    many = [
        Coat(resin(gel_s), Spin.steady(rad_s(8.0), rad_s(minor), ramp_s=5.0), pour)
        for gel_s, minor in [(60.0, 2.0), (90.0, 3.1), (60.0, -2.0), (75.0, 0.0)]
    ]
    fast = coats(mesh, many, rim_open=rim_open)
    assert have_compiler()
    for one, batched in zip(many, fast, strict=True):
        plain = coat(mesh, one, rim_open=rim_open)
        # single-precision fluxes (6e-8 each) against double ones, over some 10,000 stages
        difference = np.linalg.norm(plain.film_m - batched.film_m)
        assert difference < 2e-6 * np.linalg.norm(plain.film_m)
        assert plain.spilt_m3 == pytest.approx(batched.spilt_m3, rel=1e-5, abs=1e-15)
        assert (plain.spilt_m3 > 0.0) == rim_open
        # a few thousand roundings of 1e-16
        assert abs(plain.imbalance) < 1e-12
        assert abs(batched.imbalance) < 1e-12
        assert batched.film_m.min() >= 0.0
