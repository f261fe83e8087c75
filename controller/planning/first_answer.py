"""A first answer for any form, within seconds: coats, grams and cost, and a wall with its error."""

from __future__ import annotations

import math

from evenwall.errors import NotConverged, OutsideValidity
from evenwall.geometry.film_mesh import widest_mm
from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, Plan, RigSpec
from evenwall.model.details import FIRST_ANSWER
from evenwall.model.seal import sealed
from evenwall.planning import Taught, make_plan
from evenwall.planning.wall import COARSER, compute_wall

ROUNDED = 100.0  # of a millimetre: the mesh's spacing is rounded down to it


def first_plan(casting: Casting, rig: RigSpec, *, taught: Taught | None = None) -> Plan:
    """Plan a casting with ordinary spins, and compute its wall on the two coarsest meshes.

    There is no search, so the same casting gives the same plan on any machine. A search keeps coats
    and grams and finds a more even wall. taught: the lessons of this mould's proven castings.
    Raises PlanError where no plan can work.
    """
    plan = make_plan(casting, rig, time_budget_s=0.0, taught=taught)
    plan = plan.model_copy(update={"details": {**plan.details, FIRST_ANSWER: True}})
    cavity = load_cavity(casting)
    mesh_mm = math.floor(widest_mm(cavity) / COARSER * ROUNDED) / ROUNDED
    try:
        found = compute_wall(plan, mesh_mm, cavity=cavity, together=True).summary()
    except (NotConverged, OutsideValidity) as error:
        note = f"{plan.wall.note} The wall of a first answer cannot be computed: {error}."
        return sealed(plan.model_copy(update={"wall": plan.wall.model_copy(update={"note": note})}))
    note = (
        f"A first answer: ordinary spins, on cells of {mesh_mm:.1f} mm. The search that follows "
        f"distributes the same resin more evenly."
    )
    return sealed(plan.model_copy(update={"wall": found.model_copy(update={"note": note})}))
