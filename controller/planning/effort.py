"""Amount of computing that a search spends: its meshes, its recipes, its days."""

from __future__ import annotations

from dataclasses import dataclass

from evenwall.planning.walls import BAD_DAYS, Day


@dataclass(frozen=True)
class Effort:
    """Amount of computing, in counts and not in seconds, so that a seed gives the same plan
    anywhere."""

    search_mm: float  # the mesh on which recipes are tried ...
    search_cells: int  # ... and the largest number of cells on it, roughly
    rounds: int
    lanes: int  # recipes a round
    shortlist: int  # recipes that go on to the finer mesh
    polished: tuple[float, ...]  # on meshes of these spacings, relative to the mesh that decides
    days: tuple[Day, ...]
    decide_mm: float  # the mesh that decides; the wall is reported from a finer one
    decide_cells: int
    least_cells: int = 550  # of the mesh that decides: a small mould gets finer cells


# Numbers of films are multiples of the sixteen lanes of two kernels: an idle lane costs as much as
# a busy one. Films whose pool may flow cost two to three times as much as films with a low cap: so
# a plan is decided and polished on one mesh, and judged on a slightly finer one.
FULL = Effort(6.0, 1200, 3, 32, 13, (1.0,), BAD_DAYS, 5.8, 2200)
