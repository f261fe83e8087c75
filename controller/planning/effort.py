"""Amount of computing that a search spends: its meshes, its recipes, its days."""

from __future__ import annotations

from dataclasses import dataclass

from evenwall.planning.walls import BAD_DAYS, Day


@dataclass(frozen=True)
class Effort:
    """Amount of computing, in counts and not in seconds, so that a seed gives the same plan
    anywhere."""

    search_mm: float  # the mesh on which recipes are tried ...
    search_cells: int  # ... and never more than about so many cells on it
    rounds: int
    lanes: int  # recipes a round
    shortlist: int  # recipes that go on to the finer mesh
    polished: tuple[float, ...]  # on meshes of these spacings, of that which decides
    days: tuple[Day, ...]
    decide_mm: float  # the mesh that decides; the wall is reported from a finer one still
    decide_cells: int
    least_cells: int = 550  # of the mesh that decides: a small mould is cut finer


# Sums of lanes are multiples of two kernels' sixteen: a lane left idle costs as much as a busy one.
# Films with a pool that may flow cost two to three times as much as with one held back: so a plan
# is decided and polished on one mesh, and the judge's is a little finer.
FULL = Effort(6.0, 1200, 3, 32, 13, (1.0,), BAD_DAYS, 5.8, 2200)
