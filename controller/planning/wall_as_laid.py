"""Wall of a casting in which a coat was turned late, stood still or was lost."""

from __future__ import annotations

from evenwall.geometry.film_mesh import film_mesh
from evenwall.geometry.mould import load_cavity
from evenwall.model import Plan, WallSummary
from evenwall.numerics import film
from evenwall.numerics.film import WallWeights
from evenwall.planning.wall import (
    COARSER,
    default_mesh_mm,
    film_inputs,
    flow_coats,
    summarise,
)
from evenwall.units import millimetres


def wall_as_laid(
    plan: Plan, lost: tuple[int, ...] = (), *, mesh_mm: float | None = None
) -> WallSummary:
    """Compute the wall of the coats that count, as they were turned, on two meshes.

    plan: weights, times, ramps and viscosity of its coats come from the record, those of the
    remaining coats from the plan. lost: numbers of coats that form no wall. mesh_mm: cell spacing
    of the finer mesh, `default_mesh_mm` if absent. Here, unlike in a plan, a coat may begin to turn
    after its latest good time. Raises InputError, NotConverged and OutsideValidity.
    """
    coats = tuple(coat for coat in plan.coats if coat.coat not in lost)
    if not coats:
        return WallSummary(target_mm=plan.wall.target_mm, mean_mm=0.0, min_mm=0.0)
    kept = plan.model_copy(update={"coats": coats})
    many = film_inputs(kept)
    cavity = load_cavity(plan.casting)
    size_mm = mesh_mm or default_mesh_mm(cavity)
    walls = [
        flow_coats(kept, many, film_mesh(cavity, spacing_mm), threads=1)
        for spacing_mm in (size_mm, COARSER * size_mm)
    ]
    (mesh, films_m, _), (coarse, coarse_m, _) = walls
    fine = WallWeights.of(mesh).statistics(films_m.sum(axis=0))
    rough = WallWeights.of(coarse).statistics(coarse_m.sum(axis=0))
    difference_mm = millimetres(fine.min - rough.min)
    error_mm = film.mesh_error(mesh, fine.min_cell, difference_mm, coarse.cells)
    return summarise(fine, plan.wall.target_mm, size_mm, error_mm)
