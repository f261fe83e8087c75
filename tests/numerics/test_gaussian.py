"""Linear Gaussian estimation against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from evenwall.numerics.gaussian import Gaussian, estimate

ROUND = 1e-12  # closed forms in double precision


def test_one_unknown_is_the_textbook_mean() -> None:
    """Normal data with known variance, normal prior: precisions add, and the mean is weighted by
    them (Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., equations 2.11 and 2.12)."""
    readings = np.array([0.1, 0.3, 0.2, 0.25])
    found = estimate(Gaussian.apart([0.5]), np.ones((4, 1)), readings, np.full(4, 0.2**2))
    precision = 1.0 / 0.5**2 + 4.0 / 0.2**2
    assert found.belief.mean[0] == pytest.approx(4.0 / 0.2**2 * readings.mean() / precision)
    assert found.belief.covariance[0, 0] == pytest.approx(1.0 / precision, rel=ROUND)


def test_several_unknowns_solve_the_normal_equations() -> None:
    """The other form of the same estimate, (K' S_e^-1 K + S_a^-1)^-1 (Rodgers 2000, equation 4.3),
    with correlated errors."""
    luck = np.random.default_rng(3)
    design, readings = luck.normal(size=(9, 4)), 0.3 * luck.normal(size=9)
    root = luck.normal(size=(9, 9))
    noise = root @ root.T + np.eye(9)
    prior = Gaussian.apart([0.1, 0.2, 0.3, 0.4])
    found = estimate(prior, design, readings, noise)
    inverse = np.linalg.inv(noise)
    covariance = np.linalg.inv(design.T @ inverse @ design + np.linalg.inv(prior.covariance))
    assert found.chi2_per_reading < 1.0
    assert found.belief.mean == pytest.approx(covariance @ design.T @ inverse @ readings, rel=1e-9)
    assert found.belief.covariance == pytest.approx(covariance, rel=1e-9)


def test_all_at_once_is_the_same_as_one_after_another() -> None:
    """Bayes' rule may be applied reading by reading (Rodgers 2000, section 5.8.1.3)."""
    design = np.array([[1.0, 0.5], [0.2, -1.0], [0.4, 0.4]])
    readings, noise = np.array([0.05, -0.1, 0.02]), np.array([0.01, 0.02, 0.015])
    prior = Gaussian.apart([0.3, 0.2])
    at_once = estimate(prior, design, readings, noise).belief
    belief = prior
    for k in range(3):
        belief = estimate(belief, design[[k]], readings[[k]], noise[[k]]).belief
    assert belief.mean == pytest.approx(at_once.mean, rel=1e-9)
    assert belief.covariance == pytest.approx(at_once.covariance, rel=1e-9)


def test_without_readings_or_with_useless_ones_the_prior_stays() -> None:
    prior = Gaussian.apart([0.1, 0.2])
    none = estimate(prior, np.zeros((0, 2)), np.zeros(0), np.zeros(0))
    assert none.belief is prior
    vague = estimate(prior, np.eye(2), np.array([1.0, -1.0]), np.full(2, 1e12))
    assert vague.belief.mean == pytest.approx([0.0, 0.0], abs=1e-13)
    assert vague.belief.spreads == pytest.approx(prior.spreads, rel=ROUND)


def test_readings_that_contradict_each_other_widen_the_belief() -> None:
    """By chi^2 per reading (Birge 1932); readings that agree do not narrow it further."""
    prior, design, noise = Gaussian.apart([1.0]), np.ones((2, 1)), np.full(2, 0.1**2)
    agreeing = estimate(prior, design, np.array([0.2, 0.2]), noise)
    apart = estimate(prior, design, np.array([0.7, -0.3]), noise)
    assert apart.belief.mean == pytest.approx(agreeing.belief.mean)
    assert apart.chi2_per_reading > 10.0
    ratio = (apart.belief.spreads / agreeing.belief.spreads)[0]
    assert ratio == pytest.approx(np.sqrt(apart.chi2_per_reading), rel=ROUND)


def test_the_surprise_is_one_where_prior_and_noise_are_right() -> None:
    """chi^2 per reading, averaged over many draws; 400 draws of 6 readings: sd 2 sqrt(2/2400)."""
    luck = np.random.default_rng(7)
    design, noise = luck.normal(size=(6, 3)), np.full(6, 0.2**2)
    prior = Gaussian.apart([0.1, 0.3, 0.5])
    found = []
    for _ in range(400):
        truth = prior.spreads * luck.normal(size=3)
        readings = design @ truth + 0.2 * luck.normal(size=6)
        found.append(estimate(prior, design, readings, noise).chi2_per_reading)
    assert np.mean(found) == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / 2400.0))


def test_the_pull_gives_an_error_shared_with_another_place() -> None:
    """Mean of a Gaussian process at a place from its covariance with the readings (Rasmussen and
    Williams 2006, equation 2.25), against conditioning the joint normal directly."""
    covariance = np.array([[1.0, 0.6, 0.3], [0.6, 1.0, 0.6], [0.3, 0.6, 1.0]])
    readings = np.array([0.4, -0.2])
    no_unknown = Gaussian(np.zeros(0), np.zeros((0, 0)))
    noise = covariance[:2, :2] + 0.05 * np.eye(2)
    found = estimate(no_unknown, np.zeros((2, 0)), readings, noise)
    wanted = covariance[2, :2] @ np.linalg.inv(noise) @ readings
    assert covariance[2, :2] @ found.pull == pytest.approx(wanted, rel=ROUND)


def test_shapes_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="design"):
        estimate(Gaussian.apart([1.0]), np.ones((2, 1)), np.ones(3), np.ones(2))
