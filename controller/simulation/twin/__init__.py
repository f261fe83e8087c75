"""Physics twin: the behaviour of frame, mould, cup, coat and probe, with faults by seed.

The rest of the controller does not know of it: its probes and its board have the usual interfaces.
"""

from evenwall.simulation.twin.probe import ProbeTrouble, TwinProbe
from evenwall.simulation.twin.world import Twin, Weather

__all__ = ["ProbeTrouble", "Twin", "TwinProbe", "Weather"]
