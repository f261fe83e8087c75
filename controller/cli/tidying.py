"""Memory of a process that runs for months, and garbage collection at times when no frame waits.

A full collection visits every object and blocks the event loop meanwhile: 20 to 90 ms once the
service, the panel and a plan are loaded. So the objects that exist when a frame begins to turn are
excluded from collections, which costs nothing. They are collected when the frame stands still.
Until then younger objects, such as those of many connections, are collected in full ten times less
often.

Each connection over TLS has a buffer of 256 kB (asyncio/sslproto.py). By default glibc takes the
first from the system, and once that one is freed, all later ones from its heap, whose gaps then
grow. With fixed thresholds each buffer goes back to the system as soon as it is freed.
"""

from __future__ import annotations

import ctypes
import gc
from collections.abc import Callable

from evenwall_bridge.contract import Clock

LOOK_S = 1.0
SETTLED_S = 30.0  # time at rest before a collection: the frame may be told to go on or to stop
RARER = 10  # factor on the collector's third threshold while the frame turns
STANDING_S = 600.0  # between two full collections while the frame stands still
# mallopt(3): parameters of <malloc.h>. The value of both thresholds is glibc's own first one.
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD, M_ARENA_MAX = -1, -3, -8
THRESHOLD_bytes = 128 * 1024
ARENAS = 2  # heaps; threads of this process seldom allocate at the same time


def steady_heap() -> bool:
    """Keep the thresholds of the memory allocator fixed. False: the system does not have them."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:  # a C library other than glibc
        return False
    wanted = (
        (M_MMAP_THRESHOLD, THRESHOLD_bytes),
        (M_TRIM_THRESHOLD, THRESHOLD_bytes),
        (M_ARENA_MAX, ARENAS),
    )
    return all(mallopt(which, value) == 1 for which, value in wanted)


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
    usual = gc.get_threshold()
    try:
        while True:
            await clock.sleep(LOOK_S)
            turning = turns()
            if turning and not turned:
                gc.freeze()
            if turning != turned:
                gc.set_threshold(usual[0], usual[1], usual[2] * (RARER if turning else 1))
            if turning:
                due_s = clock.now_s() + SETTLED_S
            elif clock.now_s() >= due_s:
                tidy()
                due_s = clock.now_s() + STANDING_S
            turned = turning
    finally:
        gc.set_threshold(*usual)
