"""Python to run before the `evenwall demo` command, so that its long computations are short.

What is tested there is the job from the plan to the record. The search for a plan, the wall of the
coats as they were turned and the casting by the other solver have tests of their own.
"""

COARSE_mm = 16.0  # triangles of the film that makes the demo's casting; 8 mm in a real demo
LAID_mm = 10.0  # cells of the wall as laid; 5 mm in a real demo


def quick(plan_budget_s: float) -> str:
    """Return the code. plan_budget_s: time for the search; 0 takes the usual recipe."""
    return f"""
from evenwall.cli import application, demo, service
demo.PLAN_BUDGET_S = {plan_budget_s!r}
def in_worker(where, *words, worker=application.in_worker, **more):
    if where == "evenwall.simulation.blind.recorded":
        more["spacing_mm"] = {COARSE_mm!r}
    if where == "evenwall.planning.wall_as_laid":
        more["mesh_mm"] = {LAID_mm!r}
    return worker(where, *words, **more)
application.in_worker = service.in_worker = in_worker
"""
