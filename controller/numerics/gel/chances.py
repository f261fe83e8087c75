"""Probabilities of all gel times, once the fit has settled: computed along one line, and widened by
the remaining errors of the cure law and the heat model.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import make_interp_spline
from scipy.special import ndtr

from evenwall.numerics.cure import FloatArray
from evenwall.numerics.gel.case import Case

# Places along a line of gel times, in standard deviations: gels are computed at ALONG, extrapolated
# linearly beyond (with a cost no flatter than _FLATTEST), and interpolated at TOLD.
ALONG = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
_FLATTEST = 0.3
TOLD = np.linspace(-6.0, 6.0, 49)
_REACH = (1e-4, 1.0 - 1e-4)  # chances between which gels are given

# Deviation of the coat's gel time (log), early and late, from that of a law and the heat model,
# because neither fits a resin exactly. It is smaller once a coat of this resin was found gelled.
# The second-order law wins where no other fits: it is then the nearest of three, not the right one.
# In two worlds built from mechanisms (C 9810, D 9810 and 9812) it had half of the probability, in
# world A one part in twenty-five, and nearly all coats that were called early gelled up to twice as
# late as it said. So its own deviation to the late side grows in proportion to its probability.
_OFF_UNTOUCHED, _OFF_TOUCHED = (0.07, 0.09), (0.05, 0.06)
_OFF_LATE_SECOND = 0.4  # to the late side, where the second-order law has all the probability
_OFF_PROBE_BROKEN = 3.0  # factor on it if the probe no longer shows anything, or only noise
_OFF_MOST = 0.5  # a broken probe makes no deviation larger than this


def discrepancy(case: Case, unlike: float, *, believed: bool) -> tuple[float, float]:
    """Return the deviations of the log of the coat's gel, early and late, that no fit of a law
    explains.

    unlike: for the second-order law its probability, for the others 0. believed: whether the probe
    still shows the resin.
    """
    found = any(batch.coat_gel_s is not None for batch in case.earlier)
    early, late = _OFF_TOUCHED if found else _OFF_UNTOUCHED
    times = 1.0 if believed else _OFF_PROBE_BROKEN
    if found:
        return times * early, times * late
    return times * early, max(times * late, late + unlike * (_OFF_LATE_SECOND - late))


def chances(log_gels: FloatArray, costs: FloatArray, off: tuple[float, float]) -> FloatArray | None:
    """Chance that the coat gels before each of many times (log), ascending, (N, 2), from the gels
    and costs along the line, (len(ALONG),) each; None where it cannot be computed.

    A gel's likelihood follows from the rise of its cost above the least, which lies at the middle
    of the line once the fit has settled. The posterior's volume across the line is taken as
    constant. Laplace's method takes the line as straight and the cost as a parabola (MacKay 2003,
    ch. 27); but later gels often have a lower cost than earlier ones. Each gel is then spread by
    `off`, early and late, for the errors of the law and the heat model.
    """
    if not np.isfinite([log_gels, costs]).all():
        return None
    least = int(np.argmin(costs))
    root = np.sign(ALONG - ALONG[least]) * np.sqrt(2.0 * (costs - costs[least]))
    told = np.column_stack([_rising(log_gels, 0.0, least), _rising(root, _FLATTEST, least)])
    log_gel, root = make_interp_spline(ALONG, told, k=1)(TOLD).T
    weight = np.exp(-0.5 * root**2)
    weight /= weight.sum()
    first, last = np.interp(_REACH, np.cumsum(weight), log_gel).tolist()
    reach = np.linspace(first, last, len(log_gel))
    told_s = reach + np.linspace(-4.0 * off[0], 4.0 * off[1], len(log_gel))
    apart = told_s[:, None] - log_gel
    below = 2.0 * off[0] / sum(off) * ndtr(apart / off[0])
    above = 1.0 - 2.0 * off[1] / sum(off) * ndtr(-apart / off[1])
    chance = np.where(apart < 0.0, below, above) @ weight
    return np.column_stack([told_s, chance])


def _rising(values: FloatArray, slope: float, start: int) -> FloatArray:
    """Return the values along the line, raised outward from place `start` to rise at least at
    `slope`."""
    over = values - slope * ALONG
    before = np.minimum.accumulate(over[start::-1])[:0:-1]
    return np.concatenate([before, np.maximum.accumulate(over[start:])]) + slope * ALONG
