"""Garbage collection at times when no frame waits for the process.

A full collection visits every object and blocks the event loop meanwhile: 20 to 90 ms once the
service, the panel and a plan are loaded. So the objects that exist when a frame begins to turn are
excluded from collections, which costs nothing. They are collected when the frame stands.
"""

from __future__ import annotations

import gc
from collections.abc import Callable

from evenwall_bridge.contract import Clock

LOOK_S = 1.0
SETTLED_S = 30.0  # standing time before a collection: the frame may be told to go on, or stop
STANDING_S = 600.0  # between two full collections while the frame stands


def tidy() -> None:
    """Collect everything, and exclude the remaining objects from later collections."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()


async def keep_tidy(clock: Clock, turns: Callable[[], bool]) -> None:
    """Exclude all objects from collections when a frame begins to turn, until cancelled.

    Collect in full once it has stood for SETTLED_S, and every STANDING_S while it stands.
    clock: wall time. turns: whether the frame turns now.
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
