"""A run that waits for a person for days: only the record grows."""

from __future__ import annotations

import asyncio
import gc
import os
import tracemalloc
from pathlib import Path

import pytest

from evenwall.model import Step
from evenwall_bridge.clock import run_virtual
from tests.faults.light import light
from tests.faults.simulation import plans
from tests.support.virtual_shop import open_shop

HOURS = 72.0
# One row of the curve every ten minutes while it waits, and nothing else: a few kB of caches.
GROWTH_BYTES = 200_000


@pytest.mark.slow
def test_three_days_of_waiting(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with open_shop(
            plans()[0],
            record=tmp_path / "record.sqlite",
            judges=light,
            state_period_s=20.0,
            tick_s=5.0,
            idle_tick_s=60.0,
            sample_s=60.0,
        ) as shop:
            await shop.ask("start", plan=shop.plan)
            operator = shop.operator()
            work = asyncio.ensure_future(operator.work())
            await shop.until(lambda: shop.step is Step.CURE)
            work.cancel()
            await asyncio.gather(work, return_exceptions=True)
            await shop.clock.sleep(2 * 3600.0)
            files = len(os.listdir("/proc/self/fd"))
            tasks = len(asyncio.all_tasks())
            gc.collect()
            tracemalloc.start()
            before = tracemalloc.get_traced_memory()[0]
            await shop.clock.sleep(HOURS * 3600.0)
            gc.collect()
            grown = tracemalloc.get_traced_memory()[0] - before
            tracemalloc.stop()
            assert len(os.listdir("/proc/self/fd")) == files
            assert len(asyncio.all_tasks()) == tasks
            assert grown < GROWTH_BYTES, f"{grown} bytes"
            assert shop.service.snapshot().step is Step.CURE

    run_virtual(scenario())
