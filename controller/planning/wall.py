"""Wall of a plan, computed again from its own ramps, weights and viscosity.

One function serves the planner, the command line and external checks. The film starts as a level
pool in the parked mould; each coat flows on the mould's own surface, and the coats' films add up.
Thickness here is resin volume per area of mould wall. On a wall of radius R the layer measured with
a gauge is thicker by about h/R inside a bowl (6 % at 4.5 mm and 80 mm).
"""

from __future__ import annotations

import contextlib
import itertools
import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from evenwall.errors import InputError, NotConverged, OutsideValidity, naming
from evenwall.geometry.facets import facet_mm
from evenwall.geometry.film_mesh import film_mesh, widest_mm
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import CoatPlan, Plan, RigSpec, WallSummary, whole
from evenwall.numerics import film
from evenwall.numerics.film import Coat, FilmMesh, Fluid, Spin, WallStatistics, WallWeights
from evenwall.numerics.film.mesh import MIN_CELLS
from evenwall.palette import wall_scale
from evenwall.planning.shape_error import relative_error
from evenwall.units import millimetres, rad_s

Floats = npt.NDArray[np.float64]

# Liquid epoxy and polyurethane resins lie near 0.030 to 0.045 N/m (from memory): an assumption.
SURFACE_TENSION_N_M = 0.035
DEFAULT_MESH_MM = 5.0
ROUNDED = 1.01  # a plan's file keeps rounded figures
COARSER = 1.4  # the second mesh: half as many cells
# A film deeper than this many times the deepest level pool is an artefact. The factor was not
# measured: it allows for a cell's width at the edge of a pool.
DEEPEST_POOLS = 1.5
LOST_MOST = 1e-6  # largest share of the resin that a valid film may lose or gain


@dataclass(frozen=True, eq=False)
class WallResult:
    """A computed wall.

    coats_m (k, n) and total_m (n,) are films on `mesh`; spilt_m3 (k,) is the resin that ran over
    the rim. coarse: the figures of the same wall on a second mesh, `COARSER` times as wide, of
    `coarse_cells`; their difference gives the error bar. shape_error: relative error of the wall
    where the mould's shape was measured and not drawn.
    """

    mesh: FilmMesh
    mesh_mm: float
    weights: WallWeights
    coats_m: Floats
    spilt_m3: Floats
    statistics: WallStatistics
    coarse: WallStatistics
    coarse_cells: int
    target_mm: float
    facet_mm: float  # of the mould's own triangles
    shape_error: float | None = None

    @property
    def total_m(self) -> Floats:
        return np.asarray(self.coats_m.sum(axis=0))

    @property
    def mesh_error_mm(self) -> float:
        """Return the error of the thinnest patch from the mesh."""
        difference = millimetres(self.statistics.min - self.coarse.min)
        return film.mesh_error(self.mesh, self.statistics.min_cell, difference, self.coarse_cells)

    @property
    def shape_error_mm(self) -> float | None:
        """Return the error of the thinnest patch from the mould's shape."""
        if self.shape_error is None:
            return None
        return self.shape_error * millimetres(self.statistics.min)

    @property
    def error_mm(self) -> float:
        """Return the error of the thinnest patch: mesh and shape in quadrature."""
        return math.hypot(self.mesh_error_mm, self.shape_error_mm or 0.0)

    def summary(self) -> WallSummary:
        """Return the plan's `wall`."""
        found = summarise(self.statistics, self.target_mm, self.mesh_mm, self.mesh_error_mm)
        return found.model_copy(update={"shape_error_mm": self.shape_error_mm})


def summarise(
    s: WallStatistics, target_mm: float, mesh_mm: float, mesh_error_mm: float
) -> WallSummary:
    """Return statistics in metres as the plan's `wall` in millimetres."""
    return WallSummary(
        target_mm=target_mm,
        mean_mm=millimetres(s.mean),
        min_mm=millimetres(s.min),
        min_point_mm=millimetres(s.min_point),
        p05_mm=millimetres(s.p05),
        p95_mm=millimetres(s.p95),
        rim_mm=millimetres(s.rim),
        rim_min_mm=millimetres(s.rim_min),
        cv=s.cv,
        mesh_mm=mesh_mm,
        mesh_error_mm=mesh_error_mm,
    )


def film_coat(coat: CoatPlan, density_g_cm3: float) -> Coat:
    """Return one coat of a plan as the film's input: the mix less the resin that stays in the cup.

    Raises InputError, its field within `coats[..]`.
    """
    with naming(within=f"coats[{coat.coat}]."):
        return _film_coat(coat, density_g_cm3)


def _film_coat(coat: CoatPlan, density_g_cm3: float) -> Coat:
    if len(coat.viscosity) < 2:
        raise InputError("viscosity", len(coat.viscosity), "needs two entries or more")
    time_s, viscosity_Pa_s = np.array(coat.viscosity).T
    return Coat(
        fluid=Fluid(density_g_cm3 * 1e3, SURFACE_TENSION_N_M, time_s, viscosity_Pa_s),
        spin=Spin(
            start_s=coat.clock.spin_from_s,
            start_major_rad=float(np.radians(coat.start_deg.major)),
            start_minor_rad=float(np.radians(coat.start_deg.minor)),
            duration_s=np.array([r.duration_s for r in coat.ramps]),
            major_rad_s=np.array([rad_s(r.major_rpm) for r in coat.ramps]),
            minor_rad_s=np.array([rad_s(r.minor_rpm) for r in coat.ramps]),
        ),
        volume_m3=(coat.mix_g - coat.cup_left_g - coat.lid_g) / density_g_cm3 * 1e-6,
    )


def within_limits(coat: CoatPlan, rig: RigSpec) -> None:
    """Raise InputError where the rig cannot follow the coat's ramps."""
    before = (0.0, 0.0)
    for k, ramp in enumerate(coat.ramps):
        now = (ramp.major_rpm, ramp.minor_rpm)
        for axis, was, speed in zip(("major", "minor"), before, now, strict=True):
            field = f"coats[{coat.coat}].ramps[{k}].{axis}_rpm"
            if abs(speed) > rig.rate_limit_rpm * ROUNDED:
                limit = f"{rig.name} turns at most at {rig.rate_limit_rpm:g}"
                raise InputError(field, f"{speed:g}", limit, unit="rpm")
            if abs(speed - was) > rig.accel_limit_rpm_s * ramp.duration_s * ROUNDED:
                limit = f"in {ramp.duration_s:g} s from {was:g} rpm {rig.name} cannot reach it, at "
                limit += f"{rig.accel_limit_rpm_s:g} rpm/s"
                raise InputError(field, f"{speed:g}", limit, unit="rpm")
        before = now


def default_mesh_mm(cavity: Cavity) -> float:
    """Return 5 mm, or less where the coarser second mesh would have too few cells."""
    return min(DEFAULT_MESH_MM, float(np.floor(widest_mm(cavity) / COARSER * 10.0) / 10.0))


def compute_wall(
    plan: Plan,
    mesh_mm: float | None = None,
    *,
    cavity: Cavity | None = None,
    threads: int = 1,
    together: bool = False,
) -> WallResult:
    """Compute the film of every coat of the plan on two meshes.

    mesh_mm: cell spacing of the finer one, `default_mesh_mm` if absent; cavity: the casting's
    checked mould, read from its file if absent; together: on both meshes at once, a core for each
    (an interrupt then waits for both). Raises InputError (also for a mesh file that is not the
    plan's) and NotConverged.
    """
    mould = cavity or load_cavity(plan.casting)
    if mould.mesh_sha256 != plan.geometry.mesh_sha256:
        raise InputError(
            "geometry.mesh_sha256",
            plan.geometry.mesh_sha256[:12],
            f"the mesh file has changed ({mould.mesh_sha256[:12]})",
            file=str(plan.casting.mesh),
        )
    many = film_coats(plan)
    size = mesh_mm if mesh_mm is not None else default_mesh_mm(mould)
    if size > widest_mm(mould) / COARSER:
        raise InputError(
            "mesh size",
            f"{size:g}",
            f"its second mesh, {COARSER} times as wide, would have under {MIN_CELLS} cells",
            unit="mm",
            hint=f"{default_mesh_mm(mould):g} mm does",
        )

    def flowed(spacing_mm: float) -> tuple[FilmMesh, Floats, Floats]:
        return flow_coats(plan, many, film_mesh(mould, spacing_mm), threads)

    with ThreadPoolExecutor(2 if together else 1, "walls") as pool:
        (mesh, coats_m, spilt_m3), (coarse_mesh, coarse_m, _) = (
            pool.map(flowed, (size, COARSER * size))
            if together
            else map(flowed, (size, COARSER * size))
        )
    weights = WallWeights.of(mesh)
    return WallResult(
        mesh=mesh,
        mesh_mm=size,
        weights=weights,
        coats_m=coats_m,
        spilt_m3=spilt_m3,
        statistics=weights.statistics(coats_m.sum(axis=0)),
        coarse=WallWeights.of(coarse_mesh).statistics(coarse_m.sum(axis=0)),
        coarse_cells=coarse_mesh.cells,
        facet_mm=facet_mm(mould.vertices_mm, mould.triangles),
        target_mm=plan.wall.target_mm,
        shape_error=relative_error(plan.casting),
    )


def wall_mesh(plan: Plan) -> dict[str, Any]:
    """Return the wall for a view in three dimensions, on one coarse mesh, in the mould frame.

    vertices_mm (n, 3), faces (m, 3), wall_mm (n,), inward (n, 3) unit normals into the cavity, rim
    (k, 2) edges of the opening as pairs of vertices, thinnest_vertex (middle of the thinnest
    patch), thinnest_mm (that patch's mean) and scale (the colours). Raises InputError and
    NotConverged.
    """
    cavity = load_cavity(plan.casting)
    mesh = film_mesh(cavity, COARSER * default_mesh_mm(cavity))
    _, coats_m, _ = flow_coats(plan, film_coats(plan), mesh, threads=1)
    total_m = coats_m.sum(axis=0)
    found = WallWeights.of(mesh).statistics(total_m)
    return {
        "vertices_mm": (mesh.points * 1e3).round(2).tolist(),
        "faces": mesh.triangles.tolist(),
        "wall_mm": (total_m * 1e3).round(3).tolist(),
        "inward": mesh.normals.round(3).tolist(),
        "rim": mesh.edges[mesh.on_rim].tolist(),
        "thinnest_vertex": int(found.min_cell),
        "thinnest_mm": round(millimetres(found.min), 3),
        "scale": wall_scale(plan.wall.target_mm),
    }


def film_coats(plan: Plan) -> list[Coat]:
    """Return every coat of a plan as the film's input. Raises InputError where one is wrong."""
    whole(plan)
    return film_inputs(plan)


def film_inputs(plan: Plan) -> list[Coat]:
    """Return every coat of a plan, or of a casting under way, as the film's input. Raises
    InputError if the rig cannot follow a coat."""
    for coat in plan.coats:
        within_limits(coat, plan.rig)
    density = plan.casting.resin.sheet.mixed_density_g_cm3
    return [film_coat(coat, density) for coat in plan.coats]


def flow_coats(
    plan: Plan, many: list[Coat], mesh: FilmMesh, threads: int
) -> tuple[FilmMesh, Floats, Floats]:
    """Return the mesh, the films (k, n) and the spilt volumes (k,) of all coats of a plan.

    Raises NotConverged and OutsideValidity where `check_films` finds the films impossible.
    """
    states = [coat.opening_state for coat in plan.coats]
    ordered = films_by_opening(mesh, many, states, threads=threads)
    films_m = np.stack([r.film_m for r in ordered])
    spilt_m3 = np.array([r.spilt_m3 for r in ordered])
    check_films(mesh, films_m, spilt_m3, np.array([c.volume_m3 for c in many]))
    return mesh, films_m * plan.casting.resin.sheet.cured_share, spilt_m3


def films_by_opening(
    mesh: FilmMesh,
    many: Sequence[Coat],
    states: Sequence[str],
    *,
    numerics: film.Numerics | None = None,
    threads: int = 1,
) -> list[film.FilmResult]:
    """Return the film of every coat. states: the opening of each coat, "open" or "capped"."""
    made: dict[int, film.FilmResult] = {}
    for state in ("open", "capped"):
        which = [k for k, one in enumerate(states) if one == state]
        results = film.coats(
            mesh,
            [many[k] for k in which],
            rim_open=state == "open",
            numerics=numerics,
            threads=threads,
        )
        made.update(zip(which, results, strict=True))
    return [made[k] for k in range(len(many))]


def deepest_pool_m(mesh: FilmMesh, volume_m3: float) -> float:
    """Return the depth of the deepest level pool of this volume, over 26 orientations of the mould,
    in m.

    Orientations in which the mould cannot hold the volume are left out. Returns infinity if it can
    hold it in none.
    """
    depths = []
    for way in itertools.product((-1.0, 0.0, 1.0), repeat=3):
        length = np.linalg.norm(way)
        if length == 0.0:
            continue
        with contextlib.suppress(InputError):  # the mould cannot hold it in this way
            depths.append(float(film.pool(mesh, np.array(way) / length, volume_m3).max()))
    return max(depths, default=math.inf)


def check_films(mesh: FilmMesh, films_m: Floats, spilt_m3: Floats, poured_m3: Floats) -> None:
    """Refuse impossible films: those that lose or gain resin, or are deeper than a pool of all of
    it.

    films_m (k, n), spilt_m3 (k,), poured_m3 (k,). Where liquid resin stands, it gathers in a pool
    for which lubrication theory does not hold: the film equation then collects it all in a few
    cells. Raises NotConverged and OutsideValidity.
    """
    off = np.abs((films_m @ mesh.area + spilt_m3) / poured_m3 - 1.0)
    if not (off <= LOST_MOST).all():
        raise NotConverged("the mass of the computed wall", float(off.max()), len(films_m))
    limit_m = DEEPEST_POOLS * deepest_pool_m(mesh, float(poured_m3.max()))
    deepest_m = float(films_m.max())
    if deepest_m > limit_m:
        raise OutsideValidity(
            "computed coat",
            f"{millimetres(deepest_m):.0f}",
            f"the resin poured cannot lie thicker than {millimetres(limit_m):.0f} mm: it stood "
            "liquid in a pool, and the wall that it leaves cannot be computed",
            unit="mm",
        )
