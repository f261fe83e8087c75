"""Reads the measures of a finished casting: what they say about its resin, mould and lid.

The casting's film is computed on one coarse mesh as its coats were weighed and turned, and again
with each coat's gel and viscosity moved to either side. Every measure then becomes one row of a
linear model: its difference from the predicted figure, and its change with each unknown. The rows
are kept with the record, so that learning from them needs no further film (`planning.lessons`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from evenwall.geometry.film_mesh import film_mesh, mesh_mm_for, widest_mm
from evenwall.geometry.mould import load_cavity
from evenwall.model import Plan
from evenwall.model.details import LearntDetail
from evenwall.numerics.film import Coat, FilmMesh, WallWeights
from evenwall.planning.odds import Scatter
from evenwall.planning.wall import check_films, default_mesh_mm, film_inputs, films_by_opening
from evenwall.planning.wall_rows import ALL_POINTS, POINTS, Found, Gauged, Kind, Said, WallSaid
from evenwall.planning.walls import FINE

Floats = npt.NDArray[np.float64]

# All films of a casting in three coats are 15 lanes of one batch: about 6 s of one core here.
CELLS = 700
# Steps to either side for the slopes, of the logarithms of gel time and viscosity: one standard
# deviation of each (`planning.odds.Scatter`).
GEL_STEP, VISCOSITY_STEP = Scatter.batch, Scatter.viscosity
# Standard deviations of the measures. A wall gauge reads within 0.1 mm and shows tenths; a weight
# includes some flash, a share of it; a scale shows grams (common practice, no source). GEL_FOUND:
# of the logarithm of a gel time that was touched or judged from the probe.
GAUGE_MM, WEIGHT_SHARE, SCALE_G, LID_SHARE, GEL_FOUND = 0.065, 0.005, 0.6, 0.03, 0.05
NINETY_WIDE = 3.29  # standard deviations between the 5 % and 95 % quantiles
KEPT = 0.002  # of the mean wall: error of a mean over ALL_POINTS points (our choice)
NEAREST = 3  # cells that a reading at one point is interpolated from


@dataclass(frozen=True, eq=False)
class WallModel:
    """Films of a casting's coats on one mesh, cured, in m: as laid (k, n), and their change with
    the logarithm of each coat's gel time and viscosity."""

    mesh: FilmMesh
    weights: WallWeights
    films_m: Floats
    gel_m: Floats
    viscosity_m: Floats

    @property
    def pour_m(self) -> Floats:
        """Change with the logarithm of each coat's pour.

        More resin flows as if it were less viscous by its square: the path goes with h^2/mu.
        """
        return np.asarray(self.films_m - 2.0 * self.viscosity_m)


def coarse_films(plan: Plan, lanes: Sequence[Coat], of: Sequence[int]) -> tuple[FilmMesh, Floats]:
    """Return one coarse mesh and the cured films on it, (lanes, n), m. of: the coat of each lane.
    Raises InputError, NotConverged and OutsideValidity."""
    cavity = load_cavity(plan.casting)
    mesh_mm = min(
        max(default_mesh_mm(cavity), mesh_mm_for(cavity.area_cm2, CELLS)), widest_mm(cavity)
    )
    mesh = film_mesh(cavity, mesh_mm)
    states = [plan.coats[k].opening_state for k in of]
    made = films_by_opening(mesh, lanes, states, numerics=FINE)
    films_m = np.array([one.film_m for one in made])
    spilt_m3 = np.array([one.spilt_m3 for one in made])
    check_films(mesh, films_m, spilt_m3, np.array([lane.volume_m3 for lane in lanes]))
    return mesh, np.asarray(films_m * plan.casting.resin.sheet.cured_share)


def other(coat: Coat, gel: float = 0.0, viscosity: float = 0.0, pour: float = 0.0) -> Coat:
    """Return the coat with its gel time, viscosity and volume changed by these logarithms."""
    fluid = replace(
        coat.fluid,
        times_s=coat.fluid.times_s * math.exp(gel),
        viscosity_Pa_s=coat.fluid.viscosity_Pa_s * math.exp(viscosity),
    )
    volume_m3 = None if coat.volume_m3 is None else coat.volume_m3 * math.exp(pour)
    return replace(coat, fluid=fluid, volume_m3=volume_m3)


def wall_model(laid: Plan) -> WallModel:
    """Compute the films of a casting as laid, with the slopes of each coat. Raises as
    `coarse_films`."""
    coats = film_inputs(laid)
    count = len(coats)
    lanes = [
        *coats,
        *(other(one, gel=step) for step in (-GEL_STEP, GEL_STEP) for one in coats),
        *(other(one, viscosity=s) for s in (-VISCOSITY_STEP, VISCOSITY_STEP) for one in coats),
    ]
    mesh, films_m = coarse_films(laid, lanes, [*range(count)] * 5)
    as_laid, early, late, thin, thick = np.split(films_m, 5)
    return WallModel(
        mesh,
        WallWeights.of(mesh),
        as_laid,
        (late - early) / (2.0 * GEL_STEP),
        (thick - thin) / (2.0 * VISCOSITY_STEP),
    )


def read_wall(laid: Plan, found: Found, run_id: str, model: WallModel | None = None) -> WallSaid:
    """Return the measures of a finished casting as rows.

    laid: its plan with coats as weighed and turned (`history.laid.as_laid`); model: its films, if
    they are known. Raises as `coarse_films`, and InputError where the plan's details cannot be
    read.
    """
    return _Reader(laid, model or wall_model(laid), found).all(run_id)


def gauge_excess_m(film_m: float, curvature: float) -> float:
    """Return how much more a gauge reads than the resin per area, m.

    It reads a layer t along the normal of a hollow wall, which holds t - k t^2/2 per area (k = k1 +
    k2, 1/m).
    """
    return 0.5 * curvature * film_m**2


def leads_of(plan: Plan) -> Floats:
    """Return the logarithm of each coat's gel time over the first coat's, (k,): the heat that
    earlier coats left."""
    gels = np.array([coat.clock.gel_expected_s for coat in plan.coats])
    return np.asarray(np.log(gels / gels[0]))


class _Reader:
    """Makes the rows of one casting."""

    def __init__(self, laid: Plan, model: WallModel, found: Found) -> None:
        self.model, self.found, count = model, found, len(laid.coats)
        told = LearntDetail.of(laid.details).corrections
        self.viscosity = math.log(told.viscosity)
        self.lid = math.log(told.lid)
        # The planned lead already has the heat's correction.
        self.leads = leads_of(laid) / told.heat
        expected_s = np.array([coat.clock.gel_expected_s for coat in laid.coats])
        gels_s = np.array([one or np.nan for one in (*found.gels_s, *[None] * count)][:count])
        self.later = np.log(gels_s / expected_s)
        planned = math.log(told.gel) + (told.heat - 1.0) * self.leads
        self.gel = planned + np.where(np.isfinite(self.later), self.later, 0.0)
        self.stays = math.log(told.stays)
        poured_g = np.array([c.in_mould_g for c in laid.coats])
        self.wall_g = poured_g - np.array([c.lid_g for c in laid.coats])
        # A plan with lessons counts what earlier castings lacked with the lid's resin.
        lid_g = poured_g - self.wall_g / told.stays
        self.lid_g, self.lid_over_wall = max(0.0, float(lid_g.sum())), lid_g / self.wall_g
        mean = model.weights.area / model.weights.area.sum()
        self.mean_m = float(model.films_m.sum(axis=0) @ mean)
        bar_mm = laid.wall.mesh_error_mm
        bar = math.nan if bar_mm is None else bar_mm / laid.wall.mean_mm / (NINETY_WIDE / 2.0)
        self.local = LOCAL if math.isnan(bar) else float(np.clip(bar, *LOCAL_WITHIN))

    def all(self, run_id: str) -> WallSaid:
        """Return every row."""
        found = self.found
        rows = [*self._weight(), *self._lid(), *self._gels()]
        rim = self.model.weights.rim
        if found.rim_mm and rim is not None:
            mean_mm = sum(found.rim_mm) / len(found.rim_mm)
            noise_m = GAUGE_MM * 1e-3 / math.sqrt(len(found.rim_mm))
            rows.append(self._wall("rim", self._film_of_m(mean_mm, rim), rim, noise_m))
        rows += [self._spot(one) for one in found.gauged]
        if any(row.at_m for row in rows):
            rows.append(self._volume())
        reach_m = REACH * math.sqrt(self.model.mesh.total_area)
        return WallSaid(
            run_id=run_id,
            mean_mm=self.mean_m * 1e3,
            local=self.local,
            reach_m=reach_m,
            rows=tuple(rows),
        )

    def _weight(self) -> list[Said]:
        weight_g = self.found.weight_g
        if weight_g is None:
            return []
        wall_g = float(self.wall_g.sum())
        share = self.wall_g / wall_g
        to_lid = float(share @ self.lid_over_wall)
        off = math.log(weight_g / wall_g) + self.stays - to_lid * self.lid
        noise = math.hypot(WEIGHT_SHARE, SCALE_G / wall_g)
        return [self._row("weight", off, noise, (0.0, 0.0, 0.0, -to_lid, 1.0, 0.0), pour=share)]

    def _lid(self) -> list[Said]:
        lid_g = self.found.lid_g
        if not lid_g or not self.lid_g:
            return []
        share = self.wall_g * self.lid_over_wall / self.lid_g
        off = math.log(lid_g / self.lid_g) + self.lid + self.stays
        noise = math.hypot(LID_SHARE, SCALE_G / self.lid_g)
        return [self._row("lid", off, noise, (0.0, 0.0, 0.0, 1.0, 1.0, 0.0), pour=share)]

    def _gels(self) -> list[Said]:
        rows = []
        for c in np.flatnonzero(np.isfinite(self.later)):
            one = np.zeros(len(self.gel))
            one[c] = 1.0
            lasting = (0.0, 1.0, float(self.leads[c]), 0.0, 0.0, 0.0)
            rows.append(self._row("gel", float(self.gel[c]), GEL_FOUND, lasting, gel=one))
        return rows

    def _volume(self) -> Said:
        """Return the row that says that the film keeps its resin: its own error has no mean. A
        difference of all gauges from the weight is then one of the thickness."""
        row = self._row("volume", 0.0, KEPT, (0.0,) * 6)
        return row.model_copy(update={"at_m": self._points(self.model.mesh.area, ALL_POINTS)})

    def _points(self, weights: Floats, most: int) -> tuple[tuple[float, float, float], ...]:
        """Return points of the cells that have a weight."""
        cells = np.flatnonzero(weights > 0.0)
        some = cells[np.linspace(0, len(cells) - 1, min(most, len(cells))).astype(int)]
        at_m = self.model.mesh.points[some].round(5)
        return tuple((float(x), float(y), float(z)) for x, y, z in at_m)

    def _spot(self, one: Gauged) -> Said:
        weights, noise_m = self._place(one), GAUGE_MM * 1e-3
        total_m = self.model.films_m.sum(axis=0)
        if one.point is None:
            low, high = np.quantile(total_m[weights > 0.0], (0.05, 0.95))
            noise_m = math.hypot(noise_m, float(high - low) / NINETY_WIDE)
        return self._wall("spot", self._film_of_m(one.wall_mm, weights), weights, noise_m)

    def _film_of_m(self, gauge_mm: float, weights: Floats) -> float:
        """Return the resin per area where a gauge reads this, m."""
        film_m = float(self.model.films_m.sum(axis=0) @ weights)
        return gauge_mm * 1e-3 - gauge_excess_m(film_m, float(self.model.mesh.curvature @ weights))

    def _place(self, one: Gauged) -> Floats:
        """Return the weights of the cells at a reading's place, (n,)."""
        mesh, weights = self.model.mesh, np.zeros(self.model.mesh.cells)
        if one.point is not None:
            up_m, round_rad = one.point[0] * 1e-3, math.radians(one.point[1])
            x, y, z = mesh.points.T
            away = np.hypot(z - z.min() - up_m, np.hypot(x, y) * _turn(np.arctan2(y, x), round_rad))
            near = np.argsort(away)[:NEAREST]
            weights[near] = 1.0 / np.maximum(away[near], 1e-4)
        else:
            low, high = one.band or (0.0, 1.0)
            towards = mesh.points[mesh.rim].mean(axis=0) - mesh.points.mean(axis=0)
            height = mesh.points @ towards
            share = (height - height.min()) / np.ptp(height)
            inside = (share >= low) & (share <= high)
            weights[inside] = mesh.area[inside]
        return np.asarray(weights / weights.sum())

    def _wall(self, kind: Kind, wall_m: float, weights: Floats, noise_m: float) -> Said:
        """Return the row of a wall's thickness under these weights (n,)."""
        m = self.model
        films, gel, viscosity, pour = (
            one @ weights / self.mean_m for one in (m.films_m, m.gel_m, m.viscosity_m, m.pour_m)
        )
        predicted = float(films.sum())
        to_lid = float(pour @ self.lid_over_wall)
        off = wall_m / self.mean_m - predicted
        off += float(viscosity.sum()) * self.viscosity + float(gel @ self.gel)
        off += float(pour.sum()) * self.stays - to_lid * self.lid
        lasting = (
            float(viscosity.sum()),
            float(gel.sum()),
            float(gel @ self.leads),
            -to_lid,
            float(pour.sum()),
            predicted,
        )
        row = self._row(kind, off, noise_m / self.mean_m, lasting, gel=gel, pour=pour)
        return row.model_copy(update={"at_m": self._points(weights, POINTS)})

    def _row(
        self,
        kind: Kind,
        off: float,
        noise: float,
        lasting: tuple[float, ...],
        gel: Floats | None = None,
        pour: Floats | None = None,
    ) -> Said:
        none = np.zeros(len(self.gel))
        own = (*(none if gel is None else gel), *(none if pour is None else pour))
        return Said(
            kind=kind,
            off=off,
            noise=noise,
            lasting=tuple(float(one) for one in lasting),
            own=tuple(float(one) for one in own),
        )


def _turn(angle: Floats, other_rad: float) -> Floats:
    """Return the smallest angle between directions, rad."""
    return np.abs((angle - other_rad + math.pi) % (2.0 * math.pi) - math.pi)


# What the film may get wrong at one place, of the mean wall, where the plan's own bar is not known,
# and the limits of that bar (our choice). REACH: the distance over which it changes, as a share of
# the square root of the skin: half the distance between two of a dozen readings.
LOCAL, LOCAL_WITHIN, REACH = 0.05, (0.03, 0.15), 0.15
