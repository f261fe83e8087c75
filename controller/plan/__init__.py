"""The planner: a casting and a rig come in, a plan a maker can trust comes out.

`make_plan` weighs, times, searches and loads; `replan` does the rest again after a real coat.
"""

from controller.plan.make import CoatDone, make_plan, replan

__all__ = ["CoatDone", "make_plan", "replan"]
