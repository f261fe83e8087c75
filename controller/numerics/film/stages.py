"""Stabilised time steps of the film, in as many stages as are worth their cost.

Levelling and surface tension limit an explicit step to the square of the cell's size, and on fine
cells to its fourth power. A second-order Runge-Kutta-Chebyshev method of n stages is stable for
levelling rates that grow as n^2, so more stages give a longer step per stage. The damping here is
far above the usual 2/13: it makes the stable region about half as long and several times as wide,
wide enough for upwind flow. Where the flow or the turning limits the step, SSPRK(4,2) gives the
longer step and is used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# The kernel has the same numbers and makes the same lists.
DAMPING = 4.0
IN_HAND = 0.9  # share of the stable length on the real axis that is used
MOST_STAGES = 16
# Stable outflow, in steps of SSPRK(4,2). Without levelling it is FLOW_ALONE for any number of
# stages, as for a linear third-order upwind scheme. Where levelling takes a quarter of its own
# limit or more, it is FLOW_PER_ROOT times the root of the stages
# (tests/numerics/test_film_stages.py).
FLOW_ALONE, FLOW_PER_ROOT, HELPED = 0.9, 0.5, 0.25
TURN_PART = 2.0 / 3.0  # factor on the plain step's share of a turn: the damping adds error


@dataclass(frozen=True)
class Method:
    """One step dt in `stages` stages (Sommeijer, Shampine and Verwer 1998, J. Comput. Appl. Math.
    88:315, eqs. 2.1 to 2.3; from memory, held to second order by the tests).

    Y_j = (1 - mu - nu) Y_0 + mu Y_(j-1) + nu Y_(j-2) + dt (step F_(j-1) + first F_0), where F_(j-1)
    is taken at t + at dt; the lists are by stage, from 0. per_step: an Euler step within, per dt.
    level: stable levelling rate times dt. flow, flow_alone: stable outflow times dt, in steps of
    SSPRK(4,2), with levelling and without. turn: share of the longest step that turning allows.
    """

    stages: int
    mu: list[float]
    nu: list[float]
    step: list[float]
    first: list[float]
    at: list[float]
    per_step: float
    level: float
    flow: float
    flow_alone: float
    turn: float

    @staticmethod
    def of(n: int) -> Method:
        """Return the method of n stages, two or more."""
        w = 1.0 + DAMPING / (n * n)
        t, d, dd, b = [1.0, w], [0.0, 1.0], [0.0, 0.0], [0.0, 0.0]
        for j in range(2, n + 1):  # Chebyshev's polynomials and their derivatives at w
            t.append(2.0 * w * t[j - 1] - t[j - 2])
            d.append(2.0 * t[j - 1] + 2.0 * w * d[j - 1] - d[j - 2])
            dd.append(4.0 * d[j - 1] + 2.0 * w * dd[j - 1] - dd[j - 2])
            b.append(dd[j] / (d[j] * d[j]))
        b[0] = b[1] = b[2]
        w1 = d[n] / dd[n]
        mu, nu, step, first, at = ([0.0] * (n + 1) for _ in range(5))
        mu[1], step[1] = 1.0, b[1] * w1
        for j in range(2, n + 1):
            mu[j] = 2.0 * w * b[j] / b[j - 1]
            nu[j] = -b[j] / b[j - 2]
            step[j] = 2.0 * w1 * b[j] / b[j - 1]
            first[j] = -(1.0 - b[j - 1] * t[j - 1]) * step[j]
            at[j] = w1 * dd[j] / d[j]
        at[1] = at[2] / d[2]
        level = IN_HAND * (w + 1.0) / w1
        flow = FLOW_PER_ROOT * math.sqrt(n)
        return Method(n, mu, nu, step, first, at, w / w1, level, flow, FLOW_ALONE, TURN_PART)

    def step_s(self, longest_s: float, flow: float, level: float) -> float:
        """Return the longest step at these rates, 1/s."""
        rate = math.hypot(flow / self.flow, level / self.level)
        dt = 1.0 / rate if rate * longest_s > 1.0 else longest_s
        helped = min(level * dt / (self.level * HELPED), 1.0)
        held = self.flow_alone + helped * (self.flow - self.flow_alone)
        rate = math.hypot(flow / held, level / self.level)
        return 1.0 / rate if rate * longest_s > 1.0 else longest_s


# SSPRK(4,2) (Spiteri and Ruuth 2002): |R| <= 1 on the real axis down to -6, less a margin of 10 %.
PLAIN = Method(
    stages=4,
    mu=[0.0, 1.0, 1.0, 1.0, 0.75],
    nu=[0.0] * 5,
    step=[0.0, 1 / 3, 1 / 3, 1 / 3, 0.25],
    first=[0.0] * 5,
    at=[j / 3.0 for j in range(5)],
    per_step=3.0,
    level=5.4,
    flow=1.0,
    flow_alone=1.0,
    turn=1.0,
)
METHODS = (PLAIN, *(Method.of(n) for n in range(PLAIN.stages + 1, MOST_STAGES + 1)))
