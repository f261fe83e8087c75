"""Loads on the axes: mass, balance, torque over a turn, and the motors' margin. SI.

Mould, shell and resin are one rigid body about the crossing of the axes; both axes pass through it,
so the motion is exact Lagrangian mechanics of two angles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenwall.numerics.spin import Profile
from evenwall.units import G_M_S2

Array = NDArray[np.float64]

SAMPLES_PER_RAMP = 6


@dataclass(frozen=True, eq=False)
class Body:
    """A rigid body: mass_kg; centre_m (3,) in the mould frame; inertia (3, 3) about the crossing,
    kg m2."""

    mass_kg: float
    centre_m: Array
    inertia_kg_m2: Array


def skin(mass_kg: float, area_m2: float, centroid_m: Array, second_m4: Array) -> Body:
    """Return a thin even skin: I = (m/A) (tr(S) 1 - S), with S the surface integral of x x^T."""
    inertia = np.trace(second_m4) * np.eye(3) - second_m4
    return Body(mass_kg, centroid_m, inertia * (mass_kg / area_m2))


def together(bodies: Sequence[Body]) -> Body:
    """Return one body of several fixed to each other; their inertias, about one point, add."""
    mass = sum(body.mass_kg for body in bodies)
    centre = sum((body.mass_kg * body.centre_m for body in bodies), np.zeros(3)) / mass
    return Body(mass, centre, sum((b.inertia_kg_m2 for b in bodies), np.zeros((3, 3))))


def moved(body: Body, by_m: Array) -> Body:
    """Return the body with every point moved by `by_m`: the parallel-axis theorem (Steiner), used
    twice."""
    old, new = body.centre_m, body.centre_m + by_m
    about_centre = body.inertia_kg_m2 - body.mass_kg * (old @ old * np.eye(3) - np.outer(old, old))
    shifted = about_centre + body.mass_kg * (new @ new * np.eye(3) - np.outer(new, new))
    return Body(body.mass_kg, new, shifted)


def torques(
    body: Body,
    angles: tuple[Array, Array],
    rates: tuple[Array, Array],
    accelerations: tuple[Array, Array],
    frame_inertia_kg_m2: tuple[float, float] = (0.0, 0.0),
) -> tuple[Array, Array]:
    """Torque that the drives must give on (major, minor), N m: arrays of the angles' shape (n,).

    Lagrange's equations for T = (phi'^2 a + 2 phi' psi' b + psi'^2 c)/2 and V = -m g (g_m . r),
    where e = (cos psi, -sin psi, 0) is the major axis seen from the mould.
    The coefficients are a = e.I e, b = e.I z, c = z.I z (Goldstein, Classical Mechanics, ch. 5: a
    rigid body about a fixed point).
    """
    phi, psi = angles
    (phi1, psi1), (phi2, psi2) = rates, accelerations
    inertia, first = body.inertia_kg_m2, body.mass_kg * G_M_S2 * body.centre_m
    cos, sin = np.cos(psi), np.sin(psi)
    a = inertia[0, 0] * cos**2 - 2 * inertia[0, 1] * cos * sin + inertia[1, 1] * sin**2
    a_psi = (inertia[1, 1] - inertia[0, 0]) * np.sin(2 * psi) - 2 * inertia[0, 1] * np.cos(2 * psi)
    b = inertia[0, 2] * cos - inertia[1, 2] * sin
    b_psi = -inertia[0, 2] * sin - inertia[1, 2] * cos
    v_phi = np.cos(phi) * (first[0] * sin + first[1] * cos) - np.sin(phi) * first[2]
    v_psi = np.sin(phi) * (first[0] * cos - first[1] * sin)
    major = phi2 * (a + frame_inertia_kg_m2[0]) + phi1 * psi1 * a_psi + psi2 * b
    major = major + psi1**2 * b_psi + v_phi
    minor = psi2 * (inertia[2, 2] + frame_inertia_kg_m2[1]) + phi2 * b
    minor = minor - 0.5 * phi1**2 * a_psi + v_psi
    return major, minor


def peak_torques(
    body: Body, profile: Profile, frame_inertia_kg_m2: tuple[float, float]
) -> tuple[float, float]:
    """Greatest torque on each axis over a profile, N m."""
    ends = np.cumsum(profile.duration_s)
    share = np.linspace(0.0, 1.0, SAMPLES_PER_RAMP)
    time = ((ends - profile.duration_s)[:, None] + profile.duration_s[:, None] * share).ravel()
    angles = profile.angles(time)
    rates, accelerations = [], []
    for target, accel in zip((profile.major, profile.minor), profile.accelerations(), strict=True):
        before = np.concatenate([[0.0], target[:-1]])
        rates.append((before[:, None] + (target - before)[:, None] * share).ravel())
        accelerations.append(np.repeat(accel, SAMPLES_PER_RAMP))
    major, minor = torques(
        body,
        angles,
        (rates[0], rates[1]),
        (accelerations[0], accelerations[1]),
        frame_inertia_kg_m2,
    )
    # A steady ramp may be longer than a turn: gravity's part is bounded over all angles instead.
    first = body.mass_kg * G_M_S2 * np.abs(body.centre_m)
    flat = float(np.hypot(first[0], first[1]))
    return (
        max(float(np.abs(major).max()), float(np.hypot(flat, first[2]))),
        max(float(np.abs(minor).max()), flat),
    )


@dataclass(frozen=True)
class Counterweight:
    """A balancing weight: its mass, its distance from the axis and its place (mould frame)."""

    axis: str
    mass_kg: float
    arm_m: float
    towards: tuple[float, float, float]


def counterweights(body: Body, arm_m: float) -> tuple[Counterweight, ...]:
    """Return the weights at `arm_m`, of more than 20 g, that bring the mass centre onto the
    crossing.

    The weight for the minor axis balances the sideways offset, the one for the major axis the rest,
    along z. There are two, since the sideways one can be fixed to the mould and the other to the
    frame.
    """
    moment = body.mass_kg * body.centre_m
    side = float(np.hypot(moment[0], moment[1]))
    found = []
    if side / arm_m > 0.02:
        x, y = -moment[:2] / side
        found.append(Counterweight("minor", side / arm_m, arm_m, (float(x), float(y), 0.0)))
    if abs(moment[2]) / arm_m > 0.02:
        up = -float(np.sign(moment[2]))
        found.append(Counterweight("major", abs(float(moment[2])) / arm_m, arm_m, (0.0, 0.0, up)))
    return tuple(found)
