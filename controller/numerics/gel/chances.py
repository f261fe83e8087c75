"""Chances of every gel time, once the fit has settled: what was computed along one line, widened by
what no one law of cure and no one heat path tells.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import make_interp_spline
from scipy.special import ndtr

from evenwall.numerics.cure import FloatArray
from evenwall.numerics.gel.case import Case

# How likely every gel is, is read off along a line, in standard deviations of it: computed at the
# first, drawn on straight beyond them (a cost no flatter than the second), told at the third.
ALONG = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
_FLATTEST = 0.3
TOLD = np.linspace(-6.0, 6.0, 49)
_REACH = (1e-4, 1.0 - 1e-4)  # chances between which gels are told

# How far the coat may be off what the likeliest law and heat path say of it, of the log of its gel,
# early and late: no one law of cure and no one heat path is the resin's own. Less once a coat of
# this resin was found gelled.
_OFF_UNTOUCHED, _OFF_TOUCHED = (0.07, 0.09), (0.05, 0.06)
_OFF_PROBE_BROKEN = 3.0  # times as much where the probe tells nothing any more, or only noise


def discrepancy(case: Case, *, believed: bool) -> tuple[float, float]:
    """Deviations of the log of the coat's gel, early and late, that no fit of a law tells of.

    believed: that the probe still tells of the resin.
    """
    found = any(batch.coat_gel_s is not None for batch in case.earlier)
    early, late = _OFF_TOUCHED if found else _OFF_UNTOUCHED
    times = 1.0 if believed else _OFF_PROBE_BROKEN
    return times * early, times * late


def chances(log_gels: FloatArray, costs: FloatArray, off: tuple[float, float]) -> FloatArray | None:
    """Chance that the coat gels before each of many times (log), ascending, (N, 2), from what was
    computed along the line, (len(ALONG),) each; None where that cannot be computed.

    As likely as what the cost rises by from its least makes it, which is where the line's middle is
    once the fit has settled; the volume of what lies beside the line is taken as the same all
    along. Laplace's method takes the line for straight and the cost for a parabola (MacKay 2003,
    ch. 27); but later gels are often explained at less cost than earlier ones. Each gel then stands
    for those that lie `off` of it, early and late, by what the law and the heat path leave out.
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
    """Values along the line, raised outward from place `start` where they rise less steeply."""
    over = values - slope * ALONG
    before = np.minimum.accumulate(over[start::-1])[:0:-1]
    return np.concatenate([before, np.maximum.accumulate(over[start:])]) + slope * ALONG
