"""Garbage is collected while the frame stands, and never because it begins to turn."""

from __future__ import annotations

import asyncio

import pytest

from evenwall.cli import tidying
from evenwall_bridge.clock import ManualClock


def test_a_turning_frame_waits_for_no_full_collection(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    for name in ("collect", "freeze", "unfreeze"):
        monkeypatch.setattr(tidying.gc, name, lambda name=name: done.append(name))
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
