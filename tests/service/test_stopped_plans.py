"""A plan in the making is given up, or ended with its best so far; the list keeps both."""

from __future__ import annotations

import asyncio
import threading
from functools import partial
from typing import Any

from evenwall.model import PlanJob
from evenwall.planning import make_plan
from evenwall.service.facade import Service
from evenwall.worker_process import in_worker
from tests.support.virtual_shop import SAMPLES, open_shop

_PAUSE = threading.Event()  # never set: real time passes in a worker


async def waited(service: Service, job: PlanJob, true: Any) -> PlanJob:
    """Ask for the job until something is true of it, in real time."""
    for _ in range(9000):
        job = await service.plan_job(job.job_id)
        if true(job):
            return job
        await asyncio.get_running_loop().run_in_executor(None, _PAUSE.wait, 0.02)
    raise AssertionError(job.sentence)


def test_the_best_so_far_becomes_the_plan_and_a_cancelled_one_leaves_none() -> None:
    full = partial(in_worker, "evenwall.planning", "make_plan", time_budget_s=60.0)

    async def scenario() -> None:
        async with open_shop() as shop:
            rough = partial(make_plan, time_budget_s=0.0)
            service = Service(shop.supervisor, SAMPLES, full, rough_planner=rough, stoppable=True)
            try:
                job = await service.start_plan("lantern-globe", {"shop": {"temp_degC": 18.0}})
                assert (job.casting, job.shop_degC, job.mould_degC) == ("Lantern globe", 18.0, 18.0)
                job = await waited(service, job, lambda one: one.fraction >= 0.1)
                await service.end_plan(job.job_id, keep_best=True)
                job = await waited(service, job, lambda one: one.done)
                assert job.error is None
                assert job.plan is not None
                assert job.plan.casting.shop.temp_degC == 18.0
                assert job.plan.casting.mould.temp_degC is None  # as the shop

                other = await service.start_plan("lantern-globe", {})
                other = await waited(service, other, lambda one: one.plan is not None)
                other = await service.end_plan(other.job_id, keep_best=False)
                assert (other.done, other.plan) == (True, None)
                assert other.error == "This plan was cancelled."
                listed = await service.plan_jobs()
                assert [one.job_id for one in listed] == [other.job_id, job.job_id]
                assert all(one.plan is None for one in listed)
            finally:
                await service.close()

    asyncio.run(scenario())
