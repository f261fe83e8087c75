"""Learning from measured castings: corrections for the next plan of the same mould and resin.

The measures of all castings (`planning.measured_wall`) are readings of one linear Gaussian model
(`numerics.gaussian`). Its unknowns are LASTING, the same in every casting, and for each casting
the gel and the pour of each coat, which scatter from batch to batch. The film's own error at a
place is a Gaussian process over the wall (calibration with a discrepancy: Kennedy and O'Hagan 2001,
J. R. Statist. Soc. B 63:425, from memory). Most of it returns in the next casting, and most of that
is the same all round the minor axis, which turns the mould dozens of times in a coat.

Every spread is one that the planner's odds already use, or the plan's own error bar; see PRIOR.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

from evenwall.model import Plan
from evenwall.model.details import Corrections
from evenwall.numerics.film import Coat, FilmMesh, WallWeights
from evenwall.numerics.gaussian import Gaussian, estimate
from evenwall.planning.measured_wall import coarse_films, gauge_excess_m, leads_of, other
from evenwall.planning.odds import Scatter
from evenwall.planning.wall import film_inputs
from evenwall.planning.wall_rows import NEWEST, Said, WallSaid
from evenwall.units import millimetres

Floats = npt.NDArray[np.float64]

LASTING = ("viscosity", "gel", "heat", "lid", "stays", "thickness")
# Standard deviations before any measure, of logarithms (of heat: of the factor). Viscosity, gel,
# heat and pour are those of the odds. lid: the rule was 20 % off on one of two moulds with a wetted
# lid in the mesh. thickness: cure shrinkage of 2 to 6 % around the sheet's (from memory).
SCATTER = Scatter()
PRIOR = {
    "viscosity": SCATTER.viscosity,
    "gel": SCATTER.batch,
    "heat": SCATTER.heat,
    "lid": 0.2,
    "stays": SCATTER.pour,
    "thickness": 0.012,
}
MOST_SPREADS = 3.0  # no correction goes further than this many of its own prior spreads
# Shares of the film's local error (variance): what returns in the next casting, and what is the
# same all round (our choice, made before any blind casting was seen).
RETURNS, ROUND = 0.8, 0.7


@dataclass(frozen=True, eq=False)
class Lessons:
    """Lessons of measured castings of a mould and resin for the next one.

    runs: the castings. spreads: of each correction, (6,), as in LASTING. local_at_m (p, 3) and
    local_pull (p,): from these points the film's error elsewhere follows; local: its standard
    deviation, reach_m: its reach. surprise: chi^2 per reading.
    """

    runs: tuple[str, ...] = ()
    corrections: Corrections = field(default_factory=Corrections)
    spreads: tuple[float, ...] = tuple(PRIOR.values())
    surprise: float = 1.0
    local: float = 0.0
    reach_m: float = 1.0
    local_at_m: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    local_pull: Floats = field(default_factory=lambda: np.zeros(0))

    def local_error(self, points_m: Floats) -> Floats:
        """Return the error expected of the film at points (n, 3), of the mean wall, (n,)."""
        if not len(self.local_pull):
            return np.zeros(len(points_m))
        alike = alikeness(points_m, self.local_at_m, self.reach_m)
        return np.asarray(RETURNS * self.local**2 * alike @ self.local_pull)


def learn(castings: Sequence[WallSaid]) -> Lessons:
    """Return the lessons of castings of one mould and resin, oldest first; of none, the prior."""
    some = [one for one in castings if one.rows][-NEWEST:]
    if not some:
        return Lessons()
    rows = [row for one in some for row in one.rows]
    design, spreads = _design(some)
    local = max(one.local for one in some)
    found = estimate(
        Gaussian.apart(spreads), design, np.array([row.off for row in rows]), _noise(some, local)
    )
    count = len(LASTING)
    most = MOST_SPREADS * np.array(list(PRIOR.values()))
    logs = np.clip(found.belief.mean[:count], -most, most)
    at_m = np.array([point for row in rows for point in row.at_m]).reshape(-1, 3)
    pull = [
        [weight / len(row.at_m)] * len(row.at_m)
        for row, weight in zip(rows, found.pull, strict=True)
        if row.at_m
    ]
    return Lessons(
        runs=tuple(one.run_id for one in some),
        corrections=corrections_of(logs),
        spreads=tuple(float(one) for one in found.belief.spreads[:count]),
        surprise=found.chi2_per_reading,
        local=local,
        reach_m=some[-1].reach_m,
        local_at_m=at_m,
        local_pull=np.array([one for many in pull for one in many]),
    )


def corrections_of(logs: Floats) -> Corrections:
    """Return the factors of these figures, (6,), in the order of LASTING."""
    told = {name: math.exp(log) for name, log in zip(LASTING, logs.tolist(), strict=True)}
    return Corrections(**{**told, "heat": 1.0 + float(logs[LASTING.index("heat")])})


def _design(some: Sequence[WallSaid]) -> tuple[Floats, Floats]:
    """Return the change of every row with every unknown, and the unknowns' spreads."""
    widths = [len(one.rows[0].own) for one in some]
    count = len(LASTING)
    design = np.zeros((sum(len(one.rows) for one in some), count + sum(widths)))
    spreads, row, column = list(PRIOR.values()), 0, count
    for one, width in zip(some, widths, strict=True):
        for said in one.rows:
            design[row, :count] = said.lasting
            design[row, column : column + width] = said.own
            row += 1
        column += width
        spreads += [SCATTER.batch] * (width // 2) + [SCATTER.pour] * (width // 2)
    return design, np.array(spreads)


def _noise(some: Sequence[WallSaid], local: float) -> Floats:
    """Return the covariance of all rows' errors: of gauge and scale, and of the film's places."""
    rows = [(k, row) for k, one in enumerate(some) for row in one.rows]
    noise = np.diag([row.noise**2 for _, row in rows])
    on_wall = [k for k, (_, row) in enumerate(rows) if row.at_m]
    for i in on_wall:
        for j in on_wall:
            (a, one), (b, two) = rows[i], rows[j]
            share = RETURNS + (1.0 - RETURNS) * (a == b)
            noise[i, j] += local**2 * share * _alike(one, two, some[-1].reach_m)
    return np.asarray(noise)


def _alike(one: Said, two: Said, reach_m: float) -> float:
    return float(alikeness(np.array(one.at_m), np.array(two.at_m), reach_m).mean())


def alikeness(one_m: Floats, two_m: Floats, reach_m: float) -> Floats:
    """Return the correlation of the film's error between points (n, 3) and (m, 3), (n, m).

    Squared exponentials (Rasmussen and Williams 2006, equation 4.9) of the distance, and of the
    distance in the plane through the minor axis, where both points lie at the same side of it.
    """

    def fading(a: Floats, b: Floats) -> Floats:
        return np.exp(-0.5 * cdist(a, b, "sqeuclidean") / reach_m**2)

    def turned(points: Floats) -> Floats:
        return np.column_stack([np.hypot(points[:, 0], points[:, 1]), points[:, 2]])

    around = fading(turned(one_m), turned(two_m))
    return np.asarray(ROUND * around + (1.0 - ROUND) * fading(one_m, two_m))


# --- The wall that they predict -------------------------------------------------------------------


@dataclass(frozen=True)
class Expected:
    """Wall expected by the lessons, mm: mean and thinnest patch as resin per area, and the rim as a
    gauge reads it (nan without one)."""

    mean_mm: float
    min_mm: float
    rim_mm: float


def expected_wall(plan: Plan, lessons: Lessons) -> Expected:
    """Return the wall that a plan made with the lessons should give, with the film's own error.

    The weight fixes the mean, so the film's error only moves resin from place to place. Raises as
    `coarse_films`.
    """
    return Predicted.of(plan, film_inputs(plan), lessons).expected()


@dataclass(frozen=True, eq=False)
class Predicted:
    """A wall with the film's expected error, on one mesh: wall_m (n,), and film_m without it."""

    weights: WallWeights
    points_m: Floats
    curvature: Floats
    film_m: Floats
    wall_m: Floats

    @staticmethod
    def of(plan: Plan, coats: Sequence[Coat], lessons: Lessons) -> Predicted:
        """Compute the films of these coats of the plan. Raises as `coarse_films`."""
        mesh, films_m = coarse_films(plan, coats, range(len(coats)))
        film_m, wall_m = predicted_wall(mesh, films_m.sum(axis=0), lessons)
        return Predicted(WallWeights.of(mesh), mesh.points, mesh.curvature, film_m, wall_m)

    def expected(self) -> Expected:
        """Return its figures."""
        s, rim_m = self.weights.statistics(self.wall_m), math.nan
        if self.weights.rim is not None:
            rim_m = s.rim + gauge_excess_m(s.rim, float(self.weights.rim @ self.curvature))
        return Expected(millimetres(s.mean), millimetres(s.min), millimetres(rim_m))


def predicted_wall(mesh: FilmMesh, total_m: Floats, lessons: Lessons) -> tuple[Floats, Floats]:
    """Return a film (n,) with the lessons' thickness, and with the film's expected error, m."""
    film_m = total_m * lessons.corrections.thickness
    share = mesh.area / mesh.area.sum()
    off = lessons.local_error(mesh.points)
    mean_m = float(share @ film_m)
    return film_m, np.maximum(film_m + mean_m * (off - float(share @ off)), 0.0)


def corrected(plan: Plan, found: Corrections) -> list[Coat]:
    """Return the coats of a plan that was made without lessons as they would flow with them.

    Weights and spin stay as planned."""
    coats, leads = film_inputs(plan), leads_of(plan)
    changed = []
    for coat, planned, lead in zip(coats, plan.coats, leads, strict=True):
        wall_g = planned.in_mould_g - planned.lid_g
        to_lid = planned.lid_g / wall_g * math.log(found.lid)
        gel = math.log(found.gel) + (found.heat - 1.0) * float(lead)
        pour = math.log(found.stays) - to_lid
        changed.append(other(coat, gel=gel, viscosity=math.log(found.viscosity), pour=pour))
    return changed
