"""Plan jobs: a rough plan within seconds, then the full search with its remaining time."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Awaitable, Callable
from concurrent.futures import Executor
from functools import partial
from typing import Any

from evenwall.errors import EvenwallError, InputError, said_outside
from evenwall.model import Casting, Plan, PlanJob, RigSpec
from evenwall.planning.pace import Pace
from evenwall.service.earlier_plans import EarlierPlans
from evenwall.worker_process import Stopper
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

Planner = Callable[..., Plan]
JOBS_KEPT = 50
CANCELLED = "This plan was cancelled."


class PlanJobs:
    """Plan jobs of a service. They live on its event loop; the executor makes the plans."""

    def __init__(
        self,
        planner: Planner,
        rough_planner: Planner | None,
        executor: Executor,
        taught: Callable[[Casting], Awaitable[dict[str, Any]]],
        earlier: EarlierPlans | None = None,
        clock: Clock | None = None,
        *,
        stoppable: bool = False,
    ) -> None:
        """Set up the jobs.

        planner, rough_planner: see `Service`. taught: results of this mould's proven castings, as
        arguments of the planner. clock: measures the time left. stoppable: the planner also takes a
        `stopper`. earlier: earlier plans, with which a search begins.
        """
        self._planner, self._rough_planner = planner, rough_planner
        self._executor, self._taught = executor, taught
        self._clock = clock or SystemClock()
        self._jobs: dict[str, PlanJob] = {}
        self._paces: dict[str, Pace] = {}
        self._stoppers: dict[str, Stopper] = {}
        self._stoppable = stoppable
        self._earlier = earlier
        self._numbers = itertools.count(1)
        self.on_change: Callable[[PlanJob], None] | None = None

    def all(self) -> list[PlanJob]:
        """Return the jobs without their plans, newest first."""
        return [job.model_copy(update={"plan": None}) for job in reversed(self._jobs.values())]

    def finish(self, job_id: str) -> PlanJob:
        """Take the best plan so far, as soon as the search returns it. Raises InputError."""
        job = self.named(job_id)
        stopper = self._stoppers.get(job_id)
        if job.done or stopper is None:
            raise InputError("job_id", job_id, "is not being planned")
        stopper.finish()
        self._change(job_id, sentence="Taking the best so far.")
        return self.named(job_id)

    def cancel(self, job_id: str) -> PlanJob:
        """Cancel a running plan job. Raises InputError."""
        job = self.named(job_id)
        stopper = self._stoppers.get(job_id)
        if job.done or stopper is None:
            raise InputError("job_id", job_id, "is not being planned")
        self._change(job_id, done=True, error=CANCELLED, plan=None, rough=False, left_s=None)
        stopper.end()
        return self.named(job_id)

    def get(self, job_id: str) -> PlanJob | None:
        """Return the job, or None."""
        return self._jobs.get(job_id)

    def named(self, job_id: str) -> PlanJob:
        """Return the job. Raises InputError if there is no job of that name."""
        job = self._jobs.get(job_id)
        if job is None:
            raise InputError("job_id", job_id, "no such plan")
        return job

    def add(self, casting_id: str, casting: Casting) -> PlanJob:
        """Return a new job, which `make` fills."""
        shop_degC = casting.shop.temp_degC
        mould_degC = casting.mould.temp_degC
        job = PlanJob(
            job_id=f"plan-{next(self._numbers)}",
            casting_id=casting_id,
            casting=casting.name,
            wall_mm=casting.wall_mm,
            shop_degC=shop_degC,
            mould_degC=shop_degC if mould_degC is None else mould_degC,
            sentence="Planning.",
        )
        if self._stoppable:
            self._stoppers[job.job_id] = Stopper()
        self._keep(job)
        return job

    def _keep(self, job: PlanJob) -> None:
        self._jobs[job.job_id] = job
        while len(self._jobs) > JOBS_KEPT:
            oldest = next(iter(self._jobs))
            del self._jobs[oldest]
            self._paces.pop(oldest, None)
            self._stoppers.pop(oldest, None)
        if self.on_change is not None:
            self.on_change(job)

    def _change(self, job_id: str, **more: Any) -> None:
        """Change a job, unless fifty newer jobs have replaced it."""
        job = self._jobs.get(job_id)
        if job is not None:
            self._keep(job.model_copy(update=more))

    async def make(
        self, job_id: str, casting: Casting, spec: RigSpec, *, lessons: bool = True
    ) -> None:
        """Plan the casting: the rough plan first, if there is a planner for it. lessons: whether
        the plan reckons with what earlier castings have taught."""
        loop = asyncio.get_running_loop()

        def progress(fraction: float, sentence: str) -> None:
            loop.call_soon_threadsafe(self._progress, job_id, fraction, sentence)

        stopper = self._stoppers.get(job_id)
        stops = {} if stopper is None else {"stopper": stopper}
        try:
            more = await self._taught(casting) if lessons else {}
            if self._rough_planner is not None:
                rough = partial(self._rough_planner, casting, spec, **more)
                first = await loop.run_in_executor(self._executor, rough)
                if stopper is None or not stopper.ended:
                    self._change(job_id, plan=first, rough=True)
            if self._earlier is not None:
                more = {**more, **await self._earlier.arguments()}
            work = partial(self._planner, casting, spec, progress=progress, **stops, **more)
            plan = await loop.run_in_executor(self._executor, work)
        except EvenwallError as error:
            self._failed(job_id, stopper, error)
            return
        if self._earlier is not None:
            self._earlier.keep(plan)
        self._change(
            job_id,
            done=True,
            fraction=1.0,
            sentence="Planned.",
            plan=plan,
            rough=False,
            left_s=None,
        )

    def _failed(self, job_id: str, stopper: Stopper | None, error: EvenwallError) -> None:
        """Record why there is no plan. A search stopped too early keeps the first answer."""
        job = self._jobs.get(job_id)
        if job is None or (stopper is not None and stopper.ended):
            return
        if stopper is not None and stopper.finishing and job.plan is not None:
            self._change(job_id, done=True, fraction=1.0, sentence="Planned.", left_s=None)
            return
        self._change(job_id, done=True, error=said_outside(error), left_s=None)

    def _progress(self, job_id: str, fraction: float, sentence: str) -> None:
        job = self._jobs.get(job_id)
        if job is None or job.done:
            return
        pace = self._paces.setdefault(job_id, Pace(self._clock))
        left_s = pace.left_s(fraction)
        self._keep(
            job.model_copy(update={"fraction": fraction, "sentence": sentence, "left_s": left_s})
        )
