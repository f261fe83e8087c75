"""The planner: a casting and a rig come in, a plan a maker can trust comes out.

`make_plan` weighs, times and chooses; PLAN.json is `Plan` as JSON.
"""

from controller.plan.make import make_plan

__all__ = ["make_plan"]
