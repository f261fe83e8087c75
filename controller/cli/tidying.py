"""Python's garbage, collected when no frame waits for the process.

A full collection walks through every object there is and holds the event loop up for as long:
20 to 90 ms once the service, the panel and a plan are loaded. So what is there when a frame begins
to turn is set aside from collections, which costs nothing, and is looked through when it stands.
"""

from __future__ import annotations

import gc
from collections.abc import Callable

from evenwall_bridge.contract import Clock

LOOK_S = 1.0
SETTLED_S = 30.0  # that a frame has stood before the collection: it may be told to go on, or stop
STANDING_S = 600.0  # between two full collections of a process whose frame stands


def tidy() -> None:
    """Collect everything, and set aside what stays."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()


async def keep_tidy(clock: Clock, turns: Callable[[], bool]) -> None:
    """Set everything aside as a frame begins to turn; collect in full when it has stood for a
    while, and now and then while it stands. For ever.

    clock: of the wall. turns: whether the frame turns now.
    """
    turned, due_s = False, clock.now_s() + STANDING_S
    while True:
        await clock.sleep(LOOK_S)
        turning = turns()
        if turning and not turned:
            gc.freeze()
        if turning:
            due_s = clock.now_s() + SETTLED_S
        elif clock.now_s() >= due_s:
            tidy()
            due_s = clock.now_s() + STANDING_S
        turned = turning
