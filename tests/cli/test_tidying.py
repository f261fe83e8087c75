"""Garbage is collected while the frame stands still, never because it begins to turn; heap
thresholds."""

from __future__ import annotations

import asyncio
import ctypes
import os
import subprocess
import sys

import pytest

from evenwall.cli import tidying
from evenwall_bridge.clock import ManualClock


def test_a_turning_frame_waits_for_no_full_collection(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    for name in ("collect", "freeze", "unfreeze"):
        monkeypatch.setattr(tidying.gc, name, lambda name=name: done.append(name))
    usual, rarely = tidying.gc.get_threshold(), list[int]()
    monkeypatch.setattr(tidying.gc, "set_threshold", lambda *three: rarely.append(three[2]))
    full = ["unfreeze", "collect", "freeze"]
    clock, turns = ManualClock(), False

    async def live(seconds: float) -> list[str]:
        done.clear()
        for _ in range(round(seconds / tidying.LOOK_S)):
            await clock.advance(tidying.LOOK_S)
        return list(done)

    async def main() -> None:
        nonlocal turns
        task = asyncio.create_task(tidying.keep_tidy(clock, lambda: turns))
        await clock.advance(0.0)
        assert await live(tidying.STANDING_S) == full
        turns = True
        assert await live(2.0) == ["freeze"]
        assert await live(2 * tidying.STANDING_S) == []
        turns = False
        assert await live(tidying.SETTLED_S - 1.0) == []  # it may be told to go on
        assert await live(2.0) == full
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(main())
    # While it turns, at its end, and at the end of all: later tests have the usual ones.
    assert rarely == [tidying.RARER * usual[2], usual[2], usual[2]]


# The environment may have set the allocator's own variables.
CLEAN = {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}
SEES = """
import ctypes, sys
from evenwall.cli.tidying import steady_heap
class Info(ctypes.Structure):  # mallinfo2(3)
    _fields_ = [(name, ctypes.c_size_t) for name in "abcdefghij"]
libc = ctypes.CDLL(None)
libc.mallinfo2.restype = Info
if sys.argv[1] == "steady" and not steady_heap():
    sys.exit(3)
before = libc.mallinfo2().e  # bytes in blocks taken from the system one by one
for _ in range(3):
    buffer = bytearray(262_144)
    apart = libc.mallinfo2().e - before
    del buffer
print(apart)
"""


@pytest.mark.parametrize(("how", "apart"), [("steady", True), ("usual", False)])
def test_a_large_buffer_goes_back_to_the_system(how: str, apart: bool) -> None:
    """Usually only the first one does: glibc then raises its threshold, mallopt(3)."""
    if not hasattr(ctypes.CDLL(None), "mallinfo2"):
        pytest.skip("the C library is not glibc 2.33 or later")
    command = [sys.executable, "-c", SEES, how]
    said = subprocess.run(command, capture_output=True, text=True, check=True, env=CLEAN)
    assert (int(said.stdout) >= 262_144) is apart
