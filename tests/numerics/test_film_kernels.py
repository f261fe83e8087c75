"""The batched kernel against the plain reference, and what both must conserve."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import trimesh

from controller.film import Coat, FilmMesh, Fluid, Spin, coat, coats, have_compiler
from controller.filmmesh import remesh
from controller.units import rad_s

MEAN_M = 1.3e-3


@cache
def open_sphere(edge_mm: float) -> FilmMesh:
    """A ball of 80 mm radius without its cap above z = 50 mm, remeshed."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=0.08)
    part = ball.slice_plane([0.0, 0.0, 0.05], [0.0, 0.0, -1.0])
    part.merge_vertices()
    points, triangles = remesh(np.asarray(part.vertices), np.asarray(part.faces), edge_mm * 1e-3)
    return FilmMesh.build(points, triangles[:, ::-1])


def resin(gel_s: float, mu0_Pa_s: float = 0.6) -> Fluid:
    time_s = np.linspace(0.0, 0.99 * gel_s, 60)
    return Fluid(1080.0, 0.035, time_s, mu0_Pa_s * (1.0 - time_s / gel_s) ** -2.0)


@pytest.mark.parametrize("rim_open", [False, True])
def test_batched_equals_reference_and_keeps_mass(rim_open: bool) -> None:
    mesh = open_sphere(10.0)
    many = [
        Coat(
            resin(240.0),
            Spin.steady(rad_s(8.0), rad_s(minor), ramp_s=5.0),
            volume_m3=MEAN_M * mesh.total_area,
        )
        for minor in (2.0, -3.1)
    ]
    assert have_compiler()
    for one, batched in zip(many, coats(mesh, many, rim_open=rim_open), strict=True):
        plain = coat(mesh, one, rim_open=rim_open)
        # single-precision fluxes (6e-8 each) against double ones, over some 4,000 stages
        difference = np.linalg.norm(plain.film_m - batched.film_m)
        assert difference < 1e-6 * np.linalg.norm(plain.film_m)
        assert plain.spilt_m3 == pytest.approx(batched.spilt_m3, rel=1e-5, abs=1e-15)
        assert (plain.spilt_m3 > 0.0) == rim_open
        # 4,000 roundings of 1e-16 each, if all went one way
        assert abs(plain.imbalance) < 1e-12
        assert abs(batched.imbalance) < 1e-12
        assert batched.film_m.min() >= 0.0
