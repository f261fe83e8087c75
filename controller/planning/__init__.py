"""Planner: makes a plan from a casting and a rig.

`make_plan` weighs, times, searches and checks the loads; `replan` plans the remaining coats again
after a real coat. The mesher and the optimiser are imported only when somebody plans; the process
that serves a rig never imports them.

Modules, each using those below it: `make` makes a plan, `replanning` plans the remaining coats;
`assemble` turns the result of a search into a plan; `search` chooses the coats, with an `effort`,
by their `outlook` on every day, and `polish`es them; `rests` chooses the times between the pours;
`pool` holds the recipes tried; `level` the films on one mesh; `mixing` scores sums of films;
`space` is the range of recipes; `context` holds what is computed once; `walls` computes the film of
one coat; `recipe` its ramps; `coat_heat` its clock on a warm wall; `batch` its clock and weights.

Beside the search, `mounting` compares ways to mount the mould by short trials, `changes` other
changes by a full plan of each, and `live_wall` predicts the finished wall while a coat is under
way. `spin_change` finds a change of the rest of a coat's spin (`rest_of_spin`) that leaves a
thicker wall on such a day. `measured_wall` reads what a finished casting says about resin, mould
and lid, as `wall_rows`; `lessons` corrects the next plan by it.
"""

from typing import TYPE_CHECKING, Any

from evenwall.planning.batch import CoatDone, Taught

if TYPE_CHECKING:
    from evenwall.planning.make import make_plan
    from evenwall.planning.replanning import replan

__all__ = ["CoatDone", "Taught", "make_plan", "replan"]


def __getattr__(name: str) -> Any:
    if name not in ("make_plan", "replan"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from evenwall.planning import make, replanning

    return make.make_plan if name == "make_plan" else replanning.replan
