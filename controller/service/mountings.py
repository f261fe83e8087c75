"""Comparisons of the ways to mount a mould, one at a time, each in a separate process."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from functools import partial
from typing import Any, Protocol

from evenwall.errors import EvenwallError, InputError, said_outside
from evenwall.model import Casting, MountingJob, MountingTried, RigSpec
from evenwall.planning.pace import Pace
from evenwall.worker_process import Stopper
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

JOBS_KEPT = 10
CANCELLED = "This comparison was cancelled."


class Compare(Protocol):
    """Interface of `reports.mountings.compared` in a worker process."""

    def __call__(
        self,
        casting: Casting,
        rig: RigSpec,
        *,
        progress: Callable[[float, str], None],
        stopper: Stopper,
    ) -> tuple[tuple[MountingTried, ...], bytes]: ...


class Mountings:
    """Comparisons of mountings. They live on the service's event loop.

    They have a thread of their own, so that no comparison holds up the planning of coats under way.
    """

    def __init__(
        self,
        casting_of: Callable[[str], Casting],
        spec: RigSpec,
        work: Compare,
        *,
        executor: Executor | None = None,
        clock: Clock | None = None,
    ) -> None:
        """Set up the comparisons. casting_of: returns a casting of the library, or raises
        InputError. clock: measures the time left."""
        self._casting_of, self._spec, self._work = casting_of, spec, work
        self._executor = executor or ThreadPoolExecutor(1, "mountings")
        self._clock = clock or SystemClock()
        self._jobs: dict[str, MountingJob] = {}
        self._stoppers: dict[str, Stopper] = {}
        self._pictures: dict[str, bytes] = {}
        self._numbers = itertools.count(1)
        self._tasks: set[asyncio.Task[None]] = set()

    async def close(self) -> None:
        """End all comparisons."""
        for stopper in self._stoppers.values():
            stopper.end()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._executor.shutdown(wait=False, cancel_futures=True)

    def start(self, casting_id: str) -> MountingJob:
        """Begin a comparison, or return the one of this casting that is under way. Raises
        InputError."""
        for job in self._jobs.values():
            if job.casting_id == casting_id and not job.done:
                return job
        casting = self._casting_of(casting_id)
        job = MountingJob(
            job_id=f"mounting-{next(self._numbers)}",
            casting_id=casting_id,
            casting=casting.name,
            sentence="Waiting for its turn.",
        )
        self._stoppers[job.job_id] = Stopper()
        self._keep(job)
        task = asyncio.get_running_loop().create_task(self._compare(job.job_id, casting))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return job

    def named(self, job_id: str) -> MountingJob:
        """Return the comparison. Raises InputError if there is none of that name."""
        job = self._jobs.get(job_id)
        if job is None:
            raise InputError("job_id", job_id, "no such comparison")
        return job

    def cancel(self, job_id: str) -> MountingJob:
        """Cancel a comparison under way. Raises InputError."""
        job = self.named(job_id)
        if job.done:
            raise InputError("job_id", job_id, "is not being compared")
        self._change(job_id, done=True, error=CANCELLED, left_s=None)
        self._stoppers[job_id].end()
        return self.named(job_id)

    def picture(self, job_id: str) -> bytes:
        """Return the picture of a finished comparison, PNG. Raises InputError."""
        self.named(job_id)
        found = self._pictures.get(job_id)
        if found is None:
            raise InputError("job_id", job_id, "has no picture yet")
        return found

    def _keep(self, job: MountingJob) -> None:
        self._jobs[job.job_id] = job
        over = [name for name, one in self._jobs.items() if one.done]
        for name in over[: max(0, len(self._jobs) - JOBS_KEPT)]:
            del self._jobs[name], self._stoppers[name]
            self._pictures.pop(name, None)

    def _change(self, job_id: str, **more: Any) -> None:
        """Change a comparison that is not over."""
        job = self._jobs.get(job_id)
        if job is not None and not job.done:
            self._keep(job.model_copy(update=more))

    async def _compare(self, job_id: str, casting: Casting) -> None:
        loop, pace, stopper = asyncio.get_running_loop(), Pace(self._clock), self._stoppers[job_id]

        def progressed(fraction: float, sentence: str) -> None:
            left_s = pace.left_s(fraction)
            self._change(job_id, fraction=fraction, sentence=sentence, left_s=left_s)

        def progress(fraction: float, sentence: str) -> None:
            loop.call_soon_threadsafe(progressed, fraction, sentence)

        work = partial(self._work, casting, self._spec, progress=progress, stopper=stopper)
        try:
            tried, picture = await loop.run_in_executor(self._executor, work)
        except EvenwallError as error:
            self._change(job_id, done=True, error=said_outside(error), left_s=None)
            return
        self._pictures[job_id] = picture
        self._change(
            job_id, done=True, fraction=1.0, sentence="Compared.", tried=tried, left_s=None
        )
