"""The physics twin: what frame, mould, cup, coat and probe would do, with faults by seed.

Nothing in the controller knows of it: its probes are probes, its board is a board.
"""

from evenwall.simulation.twin.probe import ProbeTrouble, TwinProbe
from evenwall.simulation.twin.world import Twin, Weather

__all__ = ["ProbeTrouble", "Twin", "TwinProbe", "Weather"]
