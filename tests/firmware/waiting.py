"""Wait for the rows of a board."""

from __future__ import annotations

from collections.abc import Callable

from evenwall_bridge.contract import RigState
from evenwall_bridge.rig import FramedRig


async def until(rig: FramedRig, met: Callable[[RigState], bool]) -> RigState:
    """The first state row that meets this, which may be the one at hand."""
    rows = rig.states()
    state = rig.state
    while not met(state):
        state = await anext(rows)
    return state
