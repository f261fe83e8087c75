"""A rough plan is valid while the full search runs, and a run may begin with it."""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

from evenwall.model import Casting, Plan, read_casting
from evenwall.planning import make_plan
from evenwall.planning.pace import left_words, time_left_s
from evenwall.service.facade import Service
from evenwall.service.plan_jobs import PlanJobs
from evenwall_bridge.clock import ManualClock, run_virtual
from tests.support.orders import command
from tests.support.virtual_shop import SAMPLES, lantern_plan, open_shop, sample_rig


def test_rough_plan_is_shown_and_may_be_taken() -> None:
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
                start = command("start", "no-plan", job_id=job.job_id)
                answer = await service.command(start)
                assert answer.sentence == "The plan is not made yet."
                while job.plan is None:
                    await asyncio.to_thread(threading.Event().wait, 0.02)
                    job = await service.plan_job(job.job_id)
                assert not job.done
                assert job.rough
                assert job.plan.totals.resin_g > 100.0
                start = command("start", "rough-plan", job_id=job.job_id)
                answer = await service.command(start)
                assert answer.accepted
                go_on.set()
                while not job.done:
                    await asyncio.to_thread(threading.Event().wait, 0.02)
                    job = await service.plan_job(job.job_id)
                assert job.error is None
                assert not job.rough
            finally:
                go_on.set()
                await service.close()

    run_virtual(scenario())


def test_time_left_follows_the_pace_of_the_search() -> None:
    """Half of the search took a minute, so a minute is left."""
    assert time_left_s(60.0, 0.0, 0.5) == 60.0
    assert time_left_s(30.0, 0.2, 0.6) == 30.0
    assert time_left_s(10.0, 0.2, 0.2) is None
    assert time_left_s(10.0, 0.2, 1.0) is None
    assert left_words(200.0) == ", 3 min left"
    assert left_words(10.0) == ", less than a minute left"
    assert left_words(None) == ""


def test_a_job_tells_the_time_left_once_its_search_has_a_pace() -> None:
    clock = ManualClock()
    steps: list[tuple[float, float | None]] = []

    async def taught(_: Casting) -> dict[str, Any]:
        return {}

    async def scenario() -> None:
        said, heard = threading.Semaphore(0), threading.Semaphore(0)

        def full(*_: Any, progress: Any, **__: Any) -> Plan:
            for fraction in (0.05, 0.25, 0.625):
                progress(fraction, "on it")
                said.release()
                assert heard.acquire(timeout=30)
            return lantern_plan()

        with ThreadPoolExecutor(1) as threads:
            jobs = PlanJobs(full, None, threads, taught, clock=clock)
            casting = read_casting(SAMPLES / "lantern-globe.toml")
            job = jobs.add("lantern-globe", casting)
            work = asyncio.ensure_future(jobs.make(job.job_id, casting, sample_rig()))
            for _ in range(3):
                await asyncio.to_thread(said.acquire)
                await asyncio.sleep(0)  # noqa: TID251 - what the thread asked of the loop is done
                now = jobs.named(job.job_id)
                steps.append((now.fraction, now.left_s))
                await clock.advance(50.0)
                heard.release()
            await work
            assert jobs.named(job.job_id).left_s is None

    asyncio.run(scenario())
    assert steps == [(0.05, None), (0.25, None), (0.625, 50.0)]
