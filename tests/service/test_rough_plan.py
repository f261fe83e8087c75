"""A rough plan stands while the full search runs, and no run begins with it."""

from __future__ import annotations

import asyncio
import threading
from functools import partial
from typing import Any

from evenwall.model import Command, Plan
from evenwall.planning import make_plan
from evenwall.service.facade import Service
from evenwall_bridge.clock import run_virtual
from tests.support.virtual_shop import SAMPLES, open_shop


def test_rough_plan_is_shown_and_not_taken() -> None:
    go_on = threading.Event()

    def full(*args: Any, **more: Any) -> Plan:
        assert go_on.wait(60)
        return make_plan(*args, time_budget_s=0.0, **more)

    async def scenario() -> None:
        async with open_shop() as shop:
            rough = partial(make_plan, time_budget_s=0.0)
            service = Service(shop.supervisor, SAMPLES, full, rough_planner=rough)
            try:
                job = await service.start_plan("lantern-globe", {})
                while job.plan is None:
                    await asyncio.to_thread(threading.Event().wait, 0.02)
                    job = await service.plan_job(job.job_id)
                assert not job.done
                assert job.plan.totals.resin_g > 100.0
                start = Command(name="start", key="rough-plan", data={"job_id": job.job_id})
                answer = await service.command(start)
                assert answer.sentence == "The plan is not made yet."
                go_on.set()
                while not job.done:
                    await asyncio.to_thread(threading.Event().wait, 0.02)
                    job = await service.plan_job(job.job_id)
                assert job.error is None
            finally:
                go_on.set()
                await service.close()

    run_virtual(scenario())
