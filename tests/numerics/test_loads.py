"""Torque, inertia and balance against closed forms, trimesh and a numerical Lagrangian."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from evenwall.geometry.surface import surface_integrals
from evenwall.numerics.loads import (
    Body,
    counterweights,
    moved,
    peak_torques,
    skin,
    together,
    torques,
)
from evenwall.numerics.spin import Leg, gravity, realise
from evenwall.units import G_M_S2

RPM = 2 * np.pi / 60


def point(mass: float, at: list[float]) -> Body:
    r = np.array(at)
    return Body(mass, r, mass * (r @ r * np.eye(3) - np.outer(r, r)))


def test_torque_of_a_known_eccentric_mass() -> None:
    """2 kg at 0.1 m: m g r times the sine of the angle, by hand at most 1.96133 N m."""
    still = np.zeros(1)
    body = point(2.0, [0.0, 0.0, 0.1])
    for phi in (0.0, 0.4, np.pi / 2, 2.5):
        angles = (np.array([phi]), np.array([0.7]))
        major, minor = torques(body, angles, (still, still), (still, still))
        # The drive lifts the mass: at phi = 90 deg it holds it level, falling on by itself after 0.
        assert abs(major[0]) == pytest.approx(2.0 * G_M_S2 * 0.1 * abs(np.sin(phi)), abs=1e-12)
        assert minor[0] == pytest.approx(0.0, abs=1e-12)
    sideways = point(2.0, [0.1, 0.0, 0.0])
    angles = (np.array([np.pi / 2]), np.array([0.0]))
    assert torques(sideways, angles, (still, still), (still, still))[1][0] == pytest.approx(1.96133)


def test_torques_are_lagranges_equations() -> None:
    """Against a numerical derivative of the Lagrangian along a curved path (central, step 1e-4).

    The Lagrangian is built from the world velocity of mass points, without the formulas tested.
    """
    rng = np.random.default_rng(3)
    masses, places = rng.uniform(0.1, 1.0, 6), rng.normal(0, 0.1, (6, 3))
    body = together([point(m, list(p)) for m, p in zip(masses, places, strict=True)])

    def energy(phi: float, psi: float, phi1: float, psi1: float) -> float:
        def world(a: float, b: float) -> np.ndarray:
            rz = np.array([[np.cos(b), -np.sin(b), 0], [np.sin(b), np.cos(b), 0], [0, 0, 1]])
            rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
            return places @ (rx @ rz).T

        eps = 1e-6
        by_phi = (world(phi + eps, psi) - world(phi - eps, psi)) / (2 * eps)
        by_psi = (world(phi, psi + eps) - world(phi, psi - eps)) / (2 * eps)
        velocity = by_phi * phi1 + by_psi * psi1
        kinetic = 0.5 * (masses * (velocity**2).sum(axis=1)).sum()
        return float(kinetic - (masses * G_M_S2 * world(phi, psi)[:, 2]).sum())

    def path(t: float) -> tuple[float, float, float, float]:
        return t + 0.3 * t**2, 0.5 - 2 * t + 0.4 * t**2, 1 + 0.6 * t, -2 + 0.8 * t

    t, h = 0.7, 1e-4

    def momentum(time: float, index: int) -> float:
        x = list(path(time))
        up, down = x.copy(), x.copy()
        up[2 + index] += h
        down[2 + index] -= h
        return (energy(*up) - energy(*down)) / (2 * h)

    phi, psi, phi1, psi1 = path(t)
    found = torques(
        body,
        (np.array([phi]), np.array([psi])),
        (np.array([phi1]), np.array([psi1])),
        (np.array([0.6]), np.array([0.8])),
    )
    for index in range(2):
        x = list(path(t))
        up, down = x.copy(), x.copy()
        up[index] += h
        down[index] -= h
        force = (energy(*up) - energy(*down)) / (2 * h)
        rate = (momentum(t + h, index) - momentum(t - h, index)) / (2 * h)
        assert found[index][0] == pytest.approx(rate - force, abs=1e-4)


def test_parallel_axis_against_trimesh() -> None:
    """trimesh moves a solid's inertia by itself; ours must agree to round-off."""
    box = trimesh.creation.box((0.1, 0.2, 0.3))
    box.density = 1200.0
    at_centre = Body(box.mass, box.center_mass, box.moment_inertia)
    by = np.array([0.05, -0.02, 0.11])
    frame = np.eye(4)
    frame[:3, 3] = -by  # the frame moved back is the body moved forward
    expected = box.moment_inertia_frame(frame)
    assert moved(at_centre, by).inertia_kg_m2 == pytest.approx(expected, rel=1e-9)
    back = moved(moved(at_centre, by), -by)
    assert back.inertia_kg_m2 == pytest.approx(at_centre.inertia_kg_m2, rel=1e-9, abs=1e-15)


def test_inertia_of_a_spherical_shell() -> None:
    """2/3 m R^2 (any mechanics table), reached at second order in the facet size."""
    errors = []
    for level in (2, 3, 4):
        ball = trimesh.creation.icosphere(subdivisions=level, radius=0.1)
        s = surface_integrals(np.asarray(ball.vertices), np.asarray(ball.faces))
        body = skin(3.0, s.area_m2, s.centroid_m, s.second_m4)
        errors.append(abs(body.inertia_kg_m2[0, 0] / (2 / 3 * 3.0 * 0.01) - 1))
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert (orders > 1.8).all()
    assert errors[-1] < 2e-3


def test_counterweights_bring_the_mass_centre_home() -> None:
    body = point(3.0, [0.01, -0.02, 0.015])
    weights = [
        point(w.mass_kg, [w.arm_m * x for x in w.towards]) for w in counterweights(body, 0.1)
    ]
    assert len(weights) == 2
    assert together([body, *weights]).centre_m == pytest.approx(np.zeros(3), abs=1e-12)
    assert counterweights(point(3.0, [0.0, 0.0, 0.0]), 0.1) == ()


def test_peak_covers_gravity_in_every_position() -> None:
    """A steady spin far from any sample still meets m g r on both axes."""
    body = point(2.0, [0.03, 0.04, 0.12])
    found = realise([Leg("level", 100.0, 1 * RPM, 0.3 * RPM)], 20 * RPM, 4 * RPM)
    major, minor = peak_torques(body, found, (0.1, 0.02))
    assert major >= 2.0 * G_M_S2 * np.hypot(0.05, 0.12) * (1 - 1e-12)
    assert minor >= 2.0 * G_M_S2 * 0.05 * (1 - 1e-12)
    assert gravity(np.array(0.0), np.array(0.0)).tolist() == [-0.0, -0.0, -1.0]
