"""Comparisons of mountings as jobs: one at a time, their progress, their end."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from evenwall.errors import InputError, PlanError
from evenwall.model import Casting, MountingJob, MountingTried, RigSpec
from evenwall.planning.mounting import DIFFERENT, Mounting
from evenwall.reports import mountings as drawn
from evenwall.service.mountings import CANCELLED, JOBS_KEPT, Mountings
from evenwall.worker_process import Stopper
from evenwall_bridge.clock import ManualClock
from tests.planning.test_mounting import leaning_egg
from tests.support.virtual_shop import sample_rig

PICTURE = b"\x89PNG picture"
TRIED = (
    MountingTried(
        minor_axis=(0.0, 0.0, 1.0),
        mouth_lean_deg=50.0,
        thinnest=0.87,
        bound=0.95,
        given=True,
        better=False,
    ),
)


class Work:
    """Stands in for the trials: half done, it waits until it may go on or is ended."""

    def __init__(self) -> None:
        self.going, self.begun = threading.Event(), threading.Event()
        self.refused = ""

    def __call__(
        self,
        casting: Casting,
        rig: RigSpec,
        *,
        progress: Callable[[float, str], None],
        stopper: Stopper,
    ) -> tuple[tuple[MountingTried, ...], bytes]:
        del casting, rig
        progress(0.5, "mounting 4 of 7")
        self.begun.set()
        while not self.going.wait(0.01):
            if stopper.ended:
                raise PlanError("mounting", "ended", "was given up")
        if self.refused:
            raise PlanError("wall_mm", 4.0, self.refused)
        return TRIED, PICTURE


def with_mountings(
    folder: Path, scenario: Callable[[Mountings, Work], Coroutine[Any, Any, None]]
) -> None:
    casting = leaning_egg(folder)

    def casting_of(casting_id: str) -> Casting:
        if not casting_id.startswith("egg"):
            raise InputError("casting_id", casting_id, "no such file in the library")
        return casting

    async def run() -> None:
        work = Work()
        some = Mountings(casting_of, sample_rig(), work, clock=ManualClock())
        try:
            await scenario(some, work)
        finally:
            await some.close()

    asyncio.run(run())


async def until(some: Mountings, job: MountingJob, true: Callable[[MountingJob], bool]) -> Any:
    """Return the job as soon as something is true of it, in real time."""
    pause = threading.Event()
    for _ in range(1000):
        job = some.named(job.job_id)
        if true(job):
            return job
        await asyncio.get_running_loop().run_in_executor(None, pause.wait, 0.01)
    raise AssertionError(job)


def test_a_comparison_tells_its_progress_and_ends_with_mountings_and_a_picture(
    tmp_path: Path,
) -> None:
    async def scenario(some: Mountings, work: Work) -> None:
        job = some.start("egg")
        assert (job.casting, job.done, job.tried) == ("Leaning egg", False, ())
        assert some.start("egg").job_id == job.job_id  # a second press begins nothing
        job = await until(some, job, lambda one: one.fraction == 0.5)
        assert job.sentence == "mounting 4 of 7"
        with pytest.raises(InputError, match="no picture yet"):
            some.picture(job.job_id)
        work.going.set()
        job = await until(some, job, lambda one: one.done)
        assert (job.error, job.fraction, job.tried) == (None, 1.0, TRIED)
        assert some.picture(job.job_id) == PICTURE
        assert some.start("egg").job_id != job.job_id  # once it is over, a new one

    with_mountings(tmp_path, scenario)


def test_they_wait_for_each_other_and_each_can_be_cancelled(tmp_path: Path) -> None:
    async def scenario(some: Mountings, work: Work) -> None:
        first, second = some.start("egg"), some.start("egg-2")
        await until(some, first, lambda one: one.fraction == 0.5)
        assert some.named(second.job_id).sentence == "Waiting for its turn."
        assert some.cancel(first.job_id).error == CANCELLED
        with pytest.raises(InputError, match="is not being compared"):
            some.cancel(first.job_id)
        work.going.set()
        done = await until(some, second, lambda one: one.done)
        assert done.error is None
        assert some.named(first.job_id).error == CANCELLED  # whatever its process still said

    with_mountings(tmp_path, scenario)


def test_a_casting_that_cannot_be_planned_says_why_and_an_unknown_one_is_refused(
    tmp_path: Path,
) -> None:
    async def scenario(some: Mountings, work: Work) -> None:
        with pytest.raises(InputError, match="no such file"):
            some.start("globe")
        with pytest.raises(InputError, match="no such comparison"):
            some.named("mounting-9")
        work.refused = "is too thick for these coats"
        work.going.set()
        job = await until(some, some.start("egg"), lambda one: one.done)
        assert "is too thick for these coats" in job.error

    with_mountings(tmp_path, scenario)


def test_only_the_newest_comparisons_are_kept(tmp_path: Path) -> None:
    async def scenario(some: Mountings, work: Work) -> None:
        work.going.set()
        jobs = [some.start(f"egg-{n}") for n in range(JOBS_KEPT + 2)]
        for job in jobs[2:]:
            await until(some, job, lambda one: one.done)
        some.start("egg")
        for job in jobs[:3]:
            with pytest.raises(InputError, match="no such comparison"):
                some.picture(job.job_id)
        assert some.picture(jobs[-1].job_id) == PICTURE

    with_mountings(tmp_path, scenario)


def test_a_mounting_counts_as_better_from_the_scatter_of_trials_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    casting = leaning_egg(tmp_path)
    tried = (
        Mounting((0.6, 0.0, 0.8), 13.0, 0.87 + DIFFERENT, 0.97, given=False),
        Mounting((1.0, 0.0, 0.0), 40.0, 0.87 + 0.5 * DIFFERENT, float("nan"), given=False),
        Mounting((0.0, 0.0, 1.0), 50.0, 0.87, 0.95, given=True),
    )
    monkeypatch.setattr(drawn, "compare", lambda *_, **__: tried)
    rows, picture = drawn.compared(casting, sample_rig(), progress=lambda *_: None)
    assert [one.better for one in rows] == [True, False, False]
    assert [one.bound for one in rows] == [0.97, None, 0.95]
    assert picture.startswith(b"\x89PNG")
