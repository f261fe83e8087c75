"""Linear Gaussian estimation: what noisy readings say about unknowns whose spreads are known.

Readings y = K x + e, with x drawn from N(x_a, S_a) and e from N(0, S_e). The unknowns given the
readings are Gaussian as well (Rodgers 2000, Inverse Methods for Atmospheric Sounding, equations 4.3
to 4.6; the same as Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, equations
2.8 and 2.11; both from memory):

    x_hat = x_a + G (y - K x_a),  S_hat = S_a - G K S_a,  G = S_a K' (K S_a K' + S_e)^-1

Where the readings contradict each other more than their spreads allow, both spreads were too small,
and the posterior is widened by the ratio of Birge 1932, Phys. Rev. 40:207 (from memory): chi^2 per
reading, if that is above one. Numbers without units; the caller chooses them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Gaussian:
    """Belief about unknowns: mean (p,) and covariance (p, p)."""

    mean: Floats
    covariance: Floats

    @staticmethod
    def apart(spreads: npt.ArrayLike) -> Gaussian:
        """Return independent unknowns with mean 0 and these standard deviations, (p,)."""
        spread = np.asarray(spreads, dtype=np.float64)
        return Gaussian(np.zeros(len(spread)), np.diag(spread**2))

    @property
    def spreads(self) -> Floats:
        """Return the standard deviations (p,)."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, eq=False)
class Estimate:
    """The belief after some readings.

    chi2_per_reading: squared surprise of the readings under the prior, per reading; about 1 where
    prior and noise are right. pull: (m,), the readings' weights, (K S_a K' + S_e)^-1 (y - K x_a). A
    part of the noise that is shared with other places follows from it: its mean there is the
    covariance with the readings times `pull`.
    """

    belief: Gaussian
    chi2_per_reading: float
    pull: Floats


def estimate(prior: Gaussian, design: Floats, readings: Floats, noise: Floats) -> Estimate:
    """Return the belief after the readings.

    design: (m, p), change of each reading with each unknown; readings: (m,); noise: covariance of
    the readings' errors, (m, m), or their variances, (m,). Without readings the prior is returned.
    Raises ValueError for shapes that do not fit, LinAlgError where a reading has no error at all
    and repeats another.
    """
    count, unknowns = design.shape
    if readings.shape != (count,) or prior.mean.shape != (unknowns,):
        raise ValueError(f"design {design.shape}, readings {readings.shape}, {prior.mean.shape}")
    if not count:
        return Estimate(prior, 1.0, readings)
    spread = np.diag(noise) if noise.ndim == 1 else noise
    across = prior.covariance @ design.T
    off = readings - design @ prior.mean
    factor = cho_factor(design @ across + spread, lower=True)
    pull = np.asarray(cho_solve(factor, off))
    chi2 = float(off @ pull) / count
    covariance = prior.covariance - across @ cho_solve(factor, across.T)
    covariance = 0.5 * (covariance + covariance.T) * max(1.0, chi2)
    return Estimate(Gaussian(prior.mean + across @ pull, covariance), chi2, pull)
