"""Biaxial spin profiles, and the trace of gravity's direction on the mould.

SI and radians. The frame: the major axis is horizontal and carries the frame, at angle phi; the
frame carries the minor axis, perpendicular to it, at angle psi, and upright at phi = 0. The mould
frame has z along the minor axis. R_world<-mould = Rx(phi) Rz(psi), so gravity's direction seen from
the mould is g(phi, psi) = -(sin phi sin psi, sin phi cos psi, cos phi): elementary rotations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from evenwall.errors import InputError, OutsideValidity

Array = NDArray[np.float64]

KNOTS_PER_TURN = 8
TURN = 2.0 * np.pi
EARLIER_S = 0.01  # so much before a law's end at an angle, lest rounding add another


def gravity(phi: Array, psi: Array) -> Array:
    """Gravity's direction in the mould frame, shape (..., 3), for angles of shape (...)."""
    return -np.stack([np.sin(phi) * np.sin(psi), np.sin(phi) * np.cos(psi), np.cos(phi)], axis=-1)


def second_moment(directions: Array) -> Array:
    """Mean of g g^T over a trace of shape (n, 3): shape (3, 3), trace 1."""
    return directions.T @ directions / len(directions)


def covering_radius(directions: Array) -> float:
    """Angle of the largest cap of the sphere that a trace of shape (n, 3) never enters, rad.

    It is exact for the given points: the facets of their convex hull are the empty caps' rims. So
    the radius is the arc cosine of the least distance of a facet from the centre (the duality of
    hull and Delaunay cells on the sphere; Brown 1979, Inf. Proc. Letters 9:223).
    """
    return float(np.arccos(np.clip(-ConvexHull(directions).equations[:, 3].max(), -1.0, 1.0)))


@dataclass(frozen=True)
class Leg:
    """A stretch of a profile: mean speeds in rad/s (signed), and a law of the major angle.

    The law is dt/dphi proportional to (1 - dwell) + dwell (pi/2) |sin phi| + bias cos phi. Over a
    turn it gives <cos^2 phi> = 1/2 - dwell/6 and <cos phi> = bias/2 (integrals of elementary
    functions). dwell slows the frame where the minor axis is horizontal, a negative bias where z
    points down.
    """

    name: str
    duration_s: float
    major: float
    minor: float
    dwell: float = 0.0
    bias: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.dwell < 1.0:
            raise OutsideValidity("dwell", self.dwell, "must be >= 0 and < 1")
        if abs(self.bias) >= 1.0 - self.dwell:
            raise OutsideValidity(
                "bias", self.bias, f"must be below 1 - dwell = {1 - self.dwell:g}"
            )

    def slowness(self, phi: Array | float) -> Array:
        """Return dt/dphi times the mean speed, at phi: one over the law's relative speed."""
        swing = self.dwell * (np.pi / 2) * np.abs(np.sin(phi))
        return np.asarray((1 - self.dwell) + swing + self.bias * np.cos(phi))


@dataclass(frozen=True, eq=False)
class Profile:
    """Ramps: both speeds change linearly over duration_s (k,) to major (k,) and minor (k,), rad/s.

    Speeds start at 0, at the angles `start` (phi, psi).
    """

    duration_s: Array
    major: Array
    minor: Array
    legs: tuple[str, ...]
    start: tuple[float, float] = (0.0, 0.0)

    @property
    def length_s(self) -> float:
        return float(self.duration_s.sum())

    def angles(self, time_s: Array) -> tuple[Array, Array]:
        """Return phi and psi at times of shape (n,); after the end the last speeds continue."""
        return (
            self.start[0] + _travelled(self.duration_s, self.major, time_s),
            self.start[1] + _travelled(self.duration_s, self.minor, time_s),
        )

    def accelerations(self) -> tuple[Array, Array]:
        """Acceleration of each ramp, rad/s2: two arrays of shape (k,)."""
        return (
            np.diff(self.major, prepend=0.0) / self.duration_s,
            np.diff(self.minor, prepend=0.0) / self.duration_s,
        )


def _travelled(duration_s: Array, rate: Array, time_s: Array) -> Array:
    ends = np.cumsum(duration_s)
    before = np.concatenate([[0.0], rate[:-1]])
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (before + rate) * duration_s)])
    k = np.minimum(np.searchsorted(ends, time_s, side="right"), len(ends) - 1)
    into = time_s - (ends[k] - duration_s[k])
    inside = np.minimum(into, duration_s[k])
    slope = (rate[k] - before[k]) / duration_s[k]
    over = into - inside
    return np.asarray(angle[k] + before[k] * inside + 0.5 * slope * inside**2 + rate[k] * over)


def realise(
    legs: Sequence[Leg],
    speed_limit: float,
    accel_limit: float,
    start: tuple[float, float] = (0.0, 0.0),
) -> Profile:
    """Turn legs into ramps within the limits (rad/s, rad/s2): see `ramped`. Raises InputError with
    the leg and the figure for a leg beyond the limits.
    """
    for leg in legs:
        _check_leg(leg, speed_limit, accel_limit)
    return ramped(legs, accel_limit, start)


def ramped(
    legs: Sequence[Leg], accel_limit: float, start: tuple[float, float] = (0.0, 0.0)
) -> Profile:
    """Return the legs as ramps. Between legs they keep the limit (rad/s2). The laws within a leg
    have no limit here, because a law may also describe a motor's own unevenness.

    A law is divided at fixed angles, KNOTS_PER_TURN per turn. A ramp between two knots takes
    exactly the time from one angle to the next, so the law never drifts against gravity. Its bias
    is then corrected so that the ramps' own mean of cos phi is bias/2.
    """
    ramps = _Ramps(accel_limit, start[0])
    for leg in legs:
        ramps.add(leg)
    duration, major, minor = (np.array(column) for column in zip(*ramps.rows, strict=True))
    return Profile(duration, major, minor, tuple(ramps.names), start)


def continued(
    legs: Sequence[Leg], accel_limit: float, phi: float, speeds: tuple[float, float]
) -> tuple[Array, tuple[str, ...]]:
    """Return the legs as ramps that begin at these speeds (major, minor; rad/s) and at this major
    angle: rows (k, 3) of duration, major and minor speed, and the leg of each row.

    As `ramped`, but in the middle of a spin. A law meets its own angles whatever was turned before.
    It ends at one of them, and the next leg is shorter by as much, so that no delay adds up.
    """
    ramps, end_s = _Ramps(accel_limit, phi, speeds), 0.0
    for leg in legs:
        end_s += leg.duration_s
        law = EARLIER_S if leg.dwell or leg.bias else 0.0
        left_s = end_s - law - sum(row[0] for row in ramps.rows)
        if left_s > law:
            ramps.add(replace(leg, duration_s=left_s))
    return np.array(ramps.rows), tuple(ramps.names)


def _check_leg(leg: Leg, speed_limit: float, accel_limit: float) -> None:
    if leg.duration_s <= 0:
        raise InputError("leg.duration_s", leg.duration_s, "must be > 0", unit="s")
    speed, accel = law_peaks(leg)
    rpm = 60.0 / TURN
    for name, value in (("major", speed), ("minor", abs(leg.minor))):
        if value > speed_limit * (1 + 1e-9):
            raise InputError(
                f"leg {leg.name}, {name} speed",
                f"{value * rpm:.3g}",
                f"the rig allows {speed_limit * rpm:.3g}",
                unit="rpm",
            )
    if accel > accel_limit * (1 + 1e-9):
        raise InputError(
            f"leg {leg.name}, major acceleration",
            f"{accel * rpm:.3g}",
            f"the rig allows {accel_limit * rpm:.3g}",
            unit="rpm/s",
        )


def law_peaks(leg: Leg) -> tuple[float, float]:
    """Return the fastest major speed and the steepest ramp of a leg's law: rad/s and rad/s2."""
    if leg.major == 0.0:
        return 0.0, 0.0
    speed = np.abs(_knot_speeds(leg, leg.bias))
    after = np.roll(speed, -1)
    step = TURN / KNOTS_PER_TURN
    return float(speed.max()), float((np.abs(after**2 - speed**2) / (2 * step)).max())


def _knot_speeds(leg: Leg, bias: float) -> Array:
    """Speeds at the knots 0, 45, 90 ... degrees that keep the law's own turn time and bias."""
    angle = np.linspace(0.0, TURN, KNOTS_PER_TURN, endpoint=False, dtype=np.float64)
    slowness = Leg(leg.name, leg.duration_s, leg.major, leg.minor, leg.dwell, bias).slowness(angle)
    speed = 1.0 / slowness
    step = TURN / KNOTS_PER_TURN
    turn_s = (2.0 * step / (speed + np.roll(speed, -1))).sum()
    return np.asarray(leg.major * speed * turn_s / TURN)


def mean_cos(speeds: Array) -> float:
    """Time mean of cos phi over a turn of ramps between equally spaced knots.

    Between two knots v^2 is linear in phi, so dt = dphi / v; Gauss-Legendre with 8 points.
    """
    step = TURN / len(speeds)
    x, w = np.polynomial.legendre.leggauss(8)
    at = 0.5 * (x + 1)
    square = speeds[:, None] ** 2 * (1 - at) + np.roll(speeds, -1)[:, None] ** 2 * at
    slowness = 1 / np.sqrt(square)
    phi = (np.arange(len(speeds))[:, None] + at) * step
    return float((w * slowness * np.cos(phi)).sum() / (w * slowness).sum())


def corrected_speeds(leg: Leg) -> Array:
    """Return knot speeds whose ramps have the leg's own <cos phi>; uncorrected, they differ a
    little."""
    bias = leg.bias
    for _ in range(4):
        bias += leg.bias - 2 * mean_cos(np.abs(_knot_speeds(leg, bias)))
    return _knot_speeds(leg, bias)


class _Ramps:
    """Rows (duration, major, minor) as they are added, and the angle of the major axis so far."""

    def __init__(
        self, accel_limit: float, phi: float, speeds: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        self.accel, self.phi = accel_limit, phi
        self.major, self.minor = speeds
        self.rows: list[tuple[float, float, float]] = []
        self.names: list[str] = []

    def add(self, leg: Leg) -> None:
        if leg.dwell == 0.0 and leg.bias == 0.0:
            self.steady(leg)
        else:
            self.follow(leg)

    def lay(self, name: str, duration_s: float, major: float, minor: float) -> None:
        self.phi += 0.5 * (self.major + major) * duration_s
        self.major, self.minor = major, minor
        self.rows.append((duration_s, major, minor))
        self.names.append(name)

    def steady(self, leg: Leg) -> None:
        change = max(abs(leg.major - self.major), abs(leg.minor - self.minor)) / self.accel
        if change > 0:
            self.lay(leg.name, change, leg.major, leg.minor)
        if leg.duration_s > change:
            self.lay(leg.name, leg.duration_s - change, leg.major, leg.minor)

    def follow(self, leg: Leg) -> None:
        sign = 1.0 if leg.major >= 0 else -1.0
        step = TURN / KNOTS_PER_TURN
        speeds = corrected_speeds(leg)
        left = leg.duration_s
        if self.major * sign < 0:  # a reversal passes through rest
            rest_s = max(abs(self.major), abs(self.minor - leg.minor)) / self.accel
            self.lay(leg.name, rest_s, 0.0, leg.minor)
            left -= rest_s
        knot = int(np.floor(self.phi * sign / step + 1e-9)) + 1
        # The law is even in phi, so a reversed leg meets the same speeds at the mirrored knots.
        while True:
            target = speeds[knot % KNOTS_PER_TURN]
            way = knot * step - self.phi * sign
            duration = 2 * way / abs(self.major + target)
            steep = max(abs(target - self.major), abs(leg.minor - self.minor)) / duration
            if steep <= self.accel * (1 + 1e-9):
                break
            knot += 1
        while left > 0:
            target = float(speeds[knot % KNOTS_PER_TURN])
            duration = float(2 * (knot * step - self.phi * sign) / abs(self.major + target))
            self.lay(leg.name, duration, target, leg.minor)
            left -= duration
            knot += 1


def park_deg(direction: tuple[float, float, float]) -> tuple[float, float]:
    """Return the angles (major_deg, minor_deg) that point the mould's `direction` straight up.

    With R = Rx(phi) Rz(psi): psi turns the direction into the plane across the major axis, phi
    turns it in that plane onto the vertical.
    """
    x, y, z = direction
    across = math.hypot(x, y)
    if across == 0 and z == 0:
        raise ValueError("direction: (0, 0, 0), must point somewhere")
    minor_deg = math.degrees(math.atan2(x, y)) if across > 1e-9 * abs(z) else 0.0
    # Now the direction is (0, across, z); Rx(phi) sends it to z' = across sin(phi) + z cos(phi).
    major_deg = math.degrees(math.atan2(across, z))
    return major_deg % 360.0, minor_deg % 360.0
