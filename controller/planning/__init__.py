"""The planner: a casting and a rig come in, a plan a maker can trust comes out.

`make_plan` weighs, times, searches and loads; `replan` does the rest again after a real coat. The
mesher and the optimiser behind them are loaded when somebody plans: what serves a rig never does.

Behind it, each on the ones below: `make` a plan, or its rest by `replanning`; `assemble` what was
found; `search` for its coats, with some `effort`, by their `outlook` on every day, `polish`ed;
`rests` between the pours; `pool` the recipes tried; `level` one mesh's films; `mixing` what sums of
them are worth; `space` what a recipe may be; `context` what is worked out once; `walls` the film of
one coat; `recipe` its ramps; `coat_heat` its clock on a warm wall; `batch` its clock and weights.

Beside the search: `mounting` compares ways to hold the mould by short trials, `live_wall` foresees
the finished wall while a coat is under way.
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
