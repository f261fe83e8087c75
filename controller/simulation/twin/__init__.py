"""Physics twin: the behaviour of frame, mould, cup, coat and probe, with faults by seed.

Nothing in the controller knows of it: its probes and its board have the usual interfaces.
"""

from evenwall.simulation.twin.probe import ProbeTrouble, TwinProbe
from evenwall.simulation.twin.world import Twin, Weather

__all__ = ["ProbeTrouble", "Twin", "TwinProbe", "Weather"]
