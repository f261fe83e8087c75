"""Evenwall: film, cure, gel, spin, plan, run and record of hollow resin castings.

Programs and notebooks should use three functions; everything else may change with a release:

- `plan` makes the plan of a casting,
- `wall` computes the wall of a plan,
- `gel` reads a logged exotherm and returns when the coat gelled.

They take files or the objects read from them, and return the objects that the commands print.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from evenwall.cli.gel import Reading
    from evenwall.model import Casting, Plan, RigSpec
    from evenwall.planning.wall import WallResult

__all__ = ["gel", "plan", "wall"]


def plan(
    casting: Path | str | Casting,
    rig: Path | str | RigSpec | None = None,
    *,
    seed: int = 0,
    searches: int = 1,
    time_budget_s: float | None = None,
) -> Plan:
    """Return the plan of a casting: coats, grams, clock, turning and predicted wall.

    casting, rig: a TOML file or the object read from one; by default the small sample rig. seed:
    the same seed gives the same plan. searches: number of searches, of which the best plan is kept.
    time_budget_s: longest time for the search, s. Raises InputError for impossible files or values,
    and PlanError if no plan can work.
    """
    from evenwall.cli.application import sample_rig
    from evenwall.model import RigSpec, read_casting
    from evenwall.planning import make_plan

    if isinstance(casting, (str, Path)):
        casting = read_casting(Path(casting))
    if not isinstance(rig, RigSpec):
        rig = sample_rig(None if rig is None else Path(rig))
    return make_plan(casting, rig, seed=seed, searches=searches, time_budget_s=time_budget_s)


def wall(plan: Path | str | Plan, mesh_mm: float | None = None, *, threads: int = 1) -> WallResult:
    """Return the wall of a plan on two mesh sizes, with statistics, error bar and mesh.

    plan: a plan's JSON file or a Plan. mesh_mm: width of the film's cells, mm; the default depends
    on the mould. `summary()` of the result gives the figures in mm. Raises InputError.
    """
    from evenwall.model import read_plan
    from evenwall.model.seal import untouched
    from evenwall.planning.wall import compute_wall

    if isinstance(plan, (str, Path)):
        plan = read_plan(Path(plan))
        untouched(plan)
    return compute_wall(plan, mesh_mm, threads=threads)


def gel(trace: Path | str, case: Path | str) -> Reading:
    """Return the gel estimate of a coat from a logged exotherm.

    trace: CSV with time_s and temp_degC, read row by row. case: TOML with the resin's sheet, the
    probe's place and the touches with their times. `output` of the result is the document that
    `evenwall gel --json` prints. Raises InputError.
    """
    from evenwall.cli.gel import follow

    return follow(Path(trace), Path(case))
