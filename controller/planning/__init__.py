"""The planner: a casting and a rig come in, a plan a maker can trust comes out.

`make_plan` weighs, times, searches and loads; `replan` does the rest again after a real coat. The
mesher and the optimiser behind them are loaded when somebody plans: what serves a rig never does.

Behind it, each on the ones below: `make` a plan and `rest` the remainder of a run; `assembly` of
its coats in their `context`, with `plan_words`; `search` for them, by their `outlook` on
every day, `polish`ed; `level` one mesh's films; `mixing` what sums of them are worth; `space` what
a recipe may be; `walls` the film of one; `recipe` its ramps; `batch` its clock and weights.
"""

from typing import TYPE_CHECKING, Any

from evenwall.planning.batch import CoatDone, Taught

if TYPE_CHECKING:
    from evenwall.planning.make import make_plan
    from evenwall.planning.rest import replan

__all__ = ["CoatDone", "Taught", "make_plan", "replan"]


def __getattr__(name: str) -> Any:
    if name not in ("make_plan", "replan"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    if name == "replan":
        from evenwall.planning.rest import replan

        return replan
    from evenwall.planning.make import make_plan

    return make_plan
