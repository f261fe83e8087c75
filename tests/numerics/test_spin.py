"""Spin laws and gravity's trace, against closed forms and geometry."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate
from scipy.spatial.transform import Rotation

from evenwall.errors import InputError, OutsideValidity
from evenwall.numerics.spin import (
    Leg,
    corrected_speeds,
    covering_radius,
    gravity,
    law_peaks,
    mean_cos,
    realise,
    second_moment,
)

RPM = 2 * np.pi / 60


def trace(ratio: float, turns: int, per_turn: int = 400) -> np.ndarray:
    phi = np.linspace(0.0, turns * 2 * np.pi, turns * per_turn + 1)
    return gravity(phi, phi / ratio)


def test_gravity_is_the_frame_rotated_back() -> None:
    """Against scipy's rotations: R = Rx(phi) Rz(psi), g_mould = R^T (0, 0, -1). Round-off only."""
    for phi, psi in np.random.default_rng(1).uniform(-7, 7, (20, 2)):
        turn = Rotation.from_euler("x", phi) * Rotation.from_euler("z", psi)
        expected = turn.inv().apply([0.0, 0.0, -1.0])
        assert gravity(np.array(phi), np.array(psi)) == pytest.approx(expected, abs=1e-14)


def test_second_moment_of_an_incommensurate_spin() -> None:
    """Means of sin^2 and cos^2: (1/4, 1/4, 1/2). Averaging ends fall as 1/turns, here 2e-3."""
    moment = second_moment(trace((1 + 5**0.5) / 2, 400, 100))
    assert moment == pytest.approx(np.diag([0.25, 0.25, 0.5]), abs=2e-3)


def test_one_to_one_leaves_a_mean_gravity_of_a_half() -> None:
    """<sin^2> = <sin phi cos phi> aside: mean (-1/2, 0, 0) by elementary integrals."""
    mean = trace(1.0, 40)[:-1].mean(axis=0)
    assert np.linalg.norm(mean) == pytest.approx(0.5, abs=1e-12)


def test_one_to_two_has_an_off_diagonal_moment_of_a_quarter() -> None:
    """phi : psi = 1 : 2 closes after one major turn; <sin phi cos phi sin 2 phi> = 1/4."""
    directions = trace(0.5, 40)[:-1]
    assert np.linalg.norm(directions.mean(axis=0)) == pytest.approx(0.0, abs=1e-12)
    moment = second_moment(directions)
    off = np.abs(moment - np.diag(np.diag(moment))).max()
    assert off == pytest.approx(0.25, abs=1e-12)


@pytest.mark.parametrize(
    ("ratio", "expected_deg"),
    [(1, 90), (0.5, 63), (1 / 3, 55), (3, 55), (2, 50), (1.5, 41), (4, 25.8), (8, 13.0)],
)
def test_simple_ratios_never_improve(ratio: float, expected_deg: float) -> None:
    """Largest unvisited cap, compared with independently computed figures to the digits in which
    they were given.

    Theirs come from trial points, ours from the hull, which misses no cap: up to 0.8 deg more.
    """
    for turns in (10, 40):
        found = np.degrees(covering_radius(trace(ratio, turns)))
        assert -0.3 <= found - expected_deg <= 0.8


@pytest.mark.parametrize(
    ("ratio", "expected_deg"),
    [(1.618034, (21.7, 8.6, 5.0)), (2.618034, (20.8, 9.3, 5.6)), (2.414214, (19.3, 11.2, 4.8))],
)
def test_incommensurate_ratios_cover(ratio: float, expected_deg: tuple[float, ...]) -> None:
    for turns, expected in zip((10, 20, 40), expected_deg, strict=True):
        found = np.degrees(covering_radius(trace(ratio, turns)))
        assert -0.1 <= found - expected <= 0.6


def test_covering_radius_of_an_octahedron() -> None:
    """Six corners: the caps sit on the faces, arccos(1/sqrt 3) = 54.7356 deg. Exact."""
    corners = np.vstack([np.eye(3), -np.eye(3)])
    assert np.degrees(covering_radius(corners)) == pytest.approx(54.73561032, abs=1e-6)


@pytest.mark.parametrize(("dwell", "bias"), [(0.0, 0.03), (0.3, 0.0), (0.2, -0.1), (0.5, 0.05)])
def test_law_means(dwell: float, bias: float) -> None:
    """<cos^2 phi> = 1/2 - d/6 and <cos phi> = b/2 by quadrature of the law itself."""
    leg = Leg("level", 1.0, 1.0, 0.3, dwell, bias)
    turn = integrate.quad(leg.slowness, 0, 2 * np.pi, points=[np.pi])[0]
    square = integrate.quad(lambda p: leg.slowness(p) * np.cos(p) ** 2, 0, 2 * np.pi)[0]
    first = integrate.quad(lambda p: leg.slowness(p) * np.cos(p), 0, 2 * np.pi)[0]
    assert turn == pytest.approx(2 * np.pi, rel=1e-7)
    assert square / turn == pytest.approx(0.5 - dwell / 6, abs=1e-7)
    assert first / turn == pytest.approx(bias / 2, abs=1e-7)


@pytest.mark.parametrize("bias", [0.03, -0.05, -0.25])
def test_the_ramps_keep_the_bias(bias: float) -> None:
    """Realised ramps have the law's own <cos phi>: after the correction to 1e-6."""
    leg = Leg("level", 600.0, 8 * RPM, 2.2 * RPM, 0.0, bias)
    assert 2 * mean_cos(corrected_speeds(leg)) == pytest.approx(bias, abs=1e-6)
    found = realise([leg], 20 * RPM, 4 * RPM)
    ends = np.cumsum(found.duration_s)
    at_knots, _ = found.angles(ends)
    first = np.searchsorted(at_knots, 2 * np.pi - 1e-9)  # whole turns only, from knot to knot
    turns = (len(ends) - 1 - first) // 8
    time = np.linspace(ends[first], ends[first + 8 * turns], 400_000, endpoint=False)
    phi, _ = found.angles(time)
    # Sampling 400,000 points of a periodic signal: its error is far below 1e-5.
    assert 2 * np.cos(phi).mean() == pytest.approx(bias, abs=1e-5)


def test_ramps_keep_the_limits_and_the_length() -> None:
    legs = [
        Leg("spread", 60.0, 3 * RPM, 1 * RPM),
        Leg("level", 200.0, 8 * RPM, -2.2 * RPM, 0.1, -0.05),
        Leg("rim", 60.0, 8 * RPM, -2.2 * RPM, 0.0, -0.25),
        Leg("back", 60.0, -8 * RPM, 2.2 * RPM, 0.0, 0.03),
        Leg("minor fast", 60.0, -3 * RPM, 8 * RPM),
    ]
    found = realise(legs, 20 * RPM, 4 * RPM)
    for accel in found.accelerations():
        assert np.abs(accel).max() <= 4 * RPM * (1 + 1e-9)
    assert (found.duration_s > 0).all()
    assert np.abs(found.major).max() <= 20 * RPM
    # A law ends at a knot, so each of the three law legs may run over by less than a turn's eighth
    # at its slowest, under 2 s.
    assert 440.0 <= found.length_s <= 446.0


def test_angles_are_the_integral_of_the_speeds() -> None:
    """Against quadrature of the piecewise linear speed."""
    found = realise([Leg("level", 60.0, 8 * RPM, 2 * RPM, 0.1, -0.05)], 20 * RPM, 4 * RPM)
    knots = np.concatenate([[0.0], np.cumsum(found.duration_s)])
    speeds = np.concatenate([[0.0], found.major])
    for t in (0.3, 5.0, 31.7, 59.0):
        inner = knots[knots < t]
        grid = np.concatenate([inner, [t]])
        expected = np.trapezoid(np.interp(grid, knots, speeds), grid)
        assert found.angles(np.array([t]))[0][0] == pytest.approx(expected, abs=1e-9)


def test_outside_the_limits_is_one_line() -> None:
    with pytest.raises(InputError, match="leg level, major speed is 30 rpm: the rig allows 20"):
        realise([Leg("level", 60.0, 30 * RPM, 2 * RPM)], 20 * RPM, 4 * RPM)
    with pytest.raises(InputError, match="acceleration"):
        realise([Leg("level", 60.0, 8 * RPM, 2 * RPM, 0.4)], 20 * RPM, 4 * RPM)
    with pytest.raises(OutsideValidity, match="dwell"):
        Leg("level", 60.0, 1.0, 1.0, 1.0)
    with pytest.raises(OutsideValidity, match="bias"):
        Leg("level", 60.0, 1.0, 1.0, 0.5, 0.6)
    assert law_peaks(Leg("still", 1.0, 0.0, 1.0)) == (0.0, 0.0)
