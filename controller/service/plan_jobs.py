"""Plans in the making: a rough one within seconds, the full search after it, and the time left."""

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
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

Planner = Callable[..., Plan]
JOBS_KEPT = 50


class PlanJobs:
    """The jobs of a service. Lives on its event loop; plans are made where the executor runs."""

    def __init__(
        self,
        planner: Planner,
        rough_planner: Planner | None,
        executor: Executor,
        taught: Callable[[Casting], Awaitable[dict[str, Any]]],
        clock: Clock | None = None,
    ) -> None:
        """planner, rough_planner: see `Service`. taught: what this mould's proven castings said, as
        arguments of the planner. clock: what the time left is measured with."""
        self._planner, self._rough_planner = planner, rough_planner
        self._executor, self._taught = executor, taught
        self._clock = clock or SystemClock()
        self._jobs: dict[str, PlanJob] = {}
        self._paces: dict[str, Pace] = {}
        self._numbers = itertools.count(1)

    def get(self, job_id: str) -> PlanJob | None:
        """Return the job, or None."""
        return self._jobs.get(job_id)

    def named(self, job_id: str) -> PlanJob:
        """Return the job. Raises InputError when there is none of that name."""
        job = self._jobs.get(job_id)
        if job is None:
            raise InputError("job_id", job_id, "no such plan")
        return job

    def add(self, casting_id: str) -> PlanJob:
        """Return a new job, which `make` fills."""
        job = PlanJob(
            job_id=f"plan-{next(self._numbers)}", casting_id=casting_id, sentence="Planning."
        )
        self._keep(job)
        return job

    def _keep(self, job: PlanJob) -> None:
        self._jobs[job.job_id] = job
        while len(self._jobs) > JOBS_KEPT:
            oldest = next(iter(self._jobs))
            del self._jobs[oldest]
            self._paces.pop(oldest, None)

    def _change(self, job_id: str, **more: Any) -> None:
        """Change a job, unless fifty newer ones have pushed it out."""
        job = self._jobs.get(job_id)
        if job is not None:
            self._keep(job.model_copy(update=more))

    async def make(self, job_id: str, casting: Casting, spec: RigSpec) -> None:
        """Plan the casting: the rough plan first, if there is a planner for it."""
        loop = asyncio.get_running_loop()

        def progress(fraction: float, sentence: str) -> None:
            loop.call_soon_threadsafe(self._progress, job_id, fraction, sentence)

        try:
            more = await self._taught(casting)
            if self._rough_planner is not None:
                rough = partial(self._rough_planner, casting, spec, **more)
                first = await loop.run_in_executor(self._executor, rough)
                self._change(job_id, plan=first, rough=True)
            work = partial(self._planner, casting, spec, progress=progress, **more)
            plan = await loop.run_in_executor(self._executor, work)
        except EvenwallError as error:
            self._change(job_id, done=True, error=said_outside(error), left_s=None)
            return
        self._change(
            job_id,
            done=True,
            fraction=1.0,
            sentence="Planned.",
            plan=plan,
            rough=False,
            left_s=None,
        )

    def _progress(self, job_id: str, fraction: float, sentence: str) -> None:
        job = self._jobs.get(job_id)
        if job is None or job.done:
            return
        pace = self._paces.setdefault(job_id, Pace(self._clock))
        left_s = pace.left_s(fraction)
        self._keep(
            job.model_copy(update={"fraction": fraction, "sentence": sentence, "left_s": left_s})
        )
