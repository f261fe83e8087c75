"""The one facade for the web and the command line: present state, commands, plans, the record."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping
from concurrent.futures import Executor, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from evenwall.history.measured import ReadWall
from evenwall.model import (
    Answer,
    Assessment,
    CastingCard,
    Command,
    Comparison,
    Measured,
    Plan,
    PlanJob,
    ResinCard,
    RunCard,
    Sample,
    Snapshot,
    StreamItem,
)
from evenwall.model.orders import Prove, Simulate, Start, StartOwn
from evenwall.numerics.gel.memory import ResinMemory
from evenwall.run.state import RunState
from evenwall.service.casting_files import CastingFiles
from evenwall.service.earlier_plans import EarlierPlans
from evenwall.service.learning import Learning
from evenwall.service.library import Library
from evenwall.service.live_walls import Foresee, LiveWalls
from evenwall.service.mountings import Mountings
from evenwall.service.plan_jobs import PlanJobs, Planner
from evenwall.service.port import RunPort
from evenwall.service.proving import Proving
from evenwall.service.refining import Refining
from evenwall.service.replanner import Replanner
from evenwall.service.run_files import Papers, RunFiles
from evenwall.service.run_list import RunList, plan_of
from evenwall.service.simulated_hands import SimulatedHands, by_hand
from evenwall.service.spin_answers import Answer as SpinAnswer
from evenwall.service.spin_answers import SpinAnswers
from evenwall.service.starting import Starting
from evenwall.service.stream import Stream
from evenwall.service.wall_again import WallAgain, WallAsLaid
from evenwall.service.walls import WallMesh, Walls


class Service:
    """All queries and commands of a screen. Lives on the supervisor's event loop.

    mountings: comparisons of the ways to mount a mould; None where none can be made.
    """

    mountings: Mountings | None = None

    def __init__(
        self,
        run: RunPort,
        castings: Path,
        planner: Planner,
        *,
        executor: Executor | None = None,
        rough_planner: Planner | None = None,
        replanner: Planner | None = None,
        wall_mesh: WallMesh | None = None,
        wall_again: WallAsLaid | None = None,
        live_wall: Foresee | None = None,
        answer: SpinAnswer | None = None,
        read_wall: ReadWall | None = None,
        memories: dict[str, ResinMemory] | None = None,
        papers: Papers | None = None,
        photos: Path | None = None,
        stoppable: bool = False,
    ) -> None:
        """Put the parts of the service together.

        castings: the folder of casting files.
        planner: `planning.make_plan`.
        executor: runs the planners; by default two threads of the service.
        rough_planner: `make_plan` limited to a few seconds. Its plan is shown during the search.
        replanner: `planning.replan`; without it a run keeps the plan it began with.
        wall_mesh: computes the wall of a plan in three dimensions; None without a film.
        wall_again: `planning.wall_as_laid`, for a run whose wall is not the planned one.
        live_wall: `planning.live_wall.foresee`, for the coat under way.
        answer: `planning.spin_change.answer`; without it a coat turns as it was planned.
        read_wall: `planning.measured_wall.read_wall`, for measured castings.
        memories: of resins, shared with the gel monitors.
        papers: draws plans and runs on paper. photos: the folder of photographs beside the record.
        stoppable: whether `planner` also takes a `worker_process.Stopper` and earlier plans.
        """
        self._run, self.spec, self.library = run, run.spec, Library(castings)
        self.simulated: SimulatedHands | None = None  # a real rig has none
        self._executor = executor or ThreadPoolExecutor(2, "plans")
        self._tasks: set[asyncio.Task[None]] = set()
        self._stream, self._runs = Stream(run), RunList(run)
        self.record, self.events = self._runs.record, self._runs.events  # passed on unchanged
        self._castings = CastingFiles(castings, self.notice)
        earlier = EarlierPlans(run.records) if stoppable else None
        taught = Learning(run, read_wall, self._executor).taught
        self._jobs = PlanJobs(
            planner, rough_planner, self._executor, taught, earlier, stoppable=stoppable
        )
        self._starting = Starting(run, self._castings, self._jobs)
        self._walls = Walls(run.records, wall_mesh)
        self._proving = Proving(run, self._walls, {} if memories is None else memories)
        later = None
        if replanner is not None:
            self._replanner = Replanner(run, replanner, self._executor, self._spawn, self.notice)
            later = self._replanner.use
        self.refining = Refining(run, self._jobs, self._spawn, self.notice, later)
        works = (wall_again, live_wall, answer)
        run.on_look = _watch(run, self._walls, self._executor, self._spawn, works)
        self.files = RunFiles(
            papers, photos, self.library.uploads, run, partial(plan_of, self._jobs, self._runs)
        )

    async def close(self) -> None:
        """End all work under way; unfinished plans are dropped."""
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._executor.shutdown(wait=False, cancel_futures=True)
        self._walls.close()
        self.files.close()
        if self.mountings is not None:
            await self.mountings.close()

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    # --- now -------------------------------------------------------------------------------------

    def snapshot(self) -> Snapshot:
        """Return all that a screen shows now."""
        return self._run.snapshot()

    def watch(self, after_id: int | None = None) -> AsyncIterator[StreamItem]:
        """Yield rows and snapshots as they are made.

        With `after_id`, the missed rows come first, without a gap.
        """
        return self._stream.watch(after_id)

    def notice(self, kind: str, sentence: str | None) -> None:
        """Show a notice from a part outside the run (broker lost) until it is withdrawn."""
        if sentence is None:
            self._run.notices.pop(kind, None)
        else:
            self._run.notices[kind] = sentence

    async def command(self, command: Command) -> Answer:
        """Submit a command. Idempotent by key; every answer is a sentence."""
        order = command.order
        if isinstance(order, Prove):
            return await self._proving.prove(command, order)
        if isinstance(order, Simulate):
            return by_hand(self.simulated, order)
        if isinstance(order, Start | StartOwn):
            prepared = await self._starting.prepared(order)
            if isinstance(prepared, Answer):
                return prepared
            job_id = order.job_id if isinstance(order, Start) else None
            answer = await self._run.command(command.model_copy(update={"order": prepared}))
            if answer.accepted and job_id is not None:
                self.refining.begun(job_id, prepared.run_id)
            return answer
        return await self._run.command(command)

    # --- plans -----------------------------------------------------------------------------------

    async def castings(self) -> list[CastingCard]:
        """Return the casting files that can be read, by name."""
        return (await self._castings.found()).castings

    async def resins(self) -> list[ResinCard]:
        """Return the resin sheets beside the castings, by name."""
        return (await self._castings.found()).resins

    async def start_plan(
        self, casting_id: str, overrides: Mapping[str, Any], *, lessons: bool = True
    ) -> PlanJob:
        """Begin to make a plan of a casting with some fields changed. Raises InputError.

        overrides: see `CastingFiles.casting`. lessons: whether it reckons with what earlier
        castings of the mould have taught.
        """
        casting = self._castings.casting(casting_id, overrides)
        job = self._jobs.add(casting_id, casting)
        self._spawn(self._jobs.make(job.job_id, casting, self.spec, lessons=lessons))
        return job

    async def plan_job(self, job_id: str) -> PlanJob:
        """Return a plan job, running or done. Raises InputError."""
        return self._jobs.named(job_id)

    async def plan_jobs(self) -> list[PlanJob]:
        """Return every job without its plan, newest first."""
        return self._jobs.all()

    async def end_plan(self, job_id: str, *, keep_best: bool) -> PlanJob:
        """End a search: take its best plan so far, or cancel it. Raises InputError."""
        return self._jobs.finish(job_id) if keep_best else self._jobs.cancel(job_id)

    async def wall_mesh(self, run_or_job_id: str) -> dict[str, Any] | None:
        """Return the wall of a run or a job in three dimensions: see `Walls.of`."""
        return await self._walls.of(self._jobs.get(run_or_job_id), run_or_job_id)

    # --- the record ------------------------------------------------------------------------------

    async def curve(
        self, run_id: str | None, after_id: int = 0, points: int = 2000
    ) -> list[Sample]:
        """Return the samples of a run (None: the present one), thinned evenly to `points`."""
        return await self._runs.curve(run_id, after_id, points)

    async def runs(self) -> list[RunCard]:
        """Return a card of every run of the record, newest first."""
        return await self._runs.cards()

    async def run(self, run_id: str) -> RunCard:
        """Return the card of a run. Raises InputError."""
        return await self._runs.card(run_id)

    async def run_plan(self, run_id: str) -> Plan:
        """Return the present plan of a run: the rest may have been planned again."""
        return await self._runs.plan(run_id)

    async def compare(self, run_id: str, against: str = "") -> Comparison:
        """Compare a run with another, or a replay with the run it repeats. Raises InputError."""
        return await self._runs.compare(run_id, against)

    async def assess(self, run_id: str, measured: Measured | None = None) -> Assessment:
        """Compare a run with its plan: see `Proving.assess`. Raises InputError."""
        return await self._proving.assess(run_id, measured)


def _watch(
    run: RunPort,
    walls: Walls,
    executor: Executor,
    spawn: Callable[[Coroutine[Any, Any, None]], None],
    works: tuple[WallAsLaid | None, Foresee | None, SpinAnswer | None],
) -> Callable[[RunState], None]:
    """Follow the casting: its wall, once it differs from the plan. Return what follows the coat
    under way: the wall that it leaves, and a better rest of its spin."""
    wall_again, live_wall, answer = works
    if wall_again is not None:
        WallAgain(run, wall_again, walls.thread, spawn)
    looks: list[Callable[[RunState], None]] = []
    if live_wall is not None:
        looks.append(LiveWalls(run, live_wall, walls.thread, spawn).looked)
    if answer is not None:
        looks.append(SpinAnswers(run, answer, executor, spawn).looked)

    def looked(state: RunState) -> None:
        for look in looks:
            look(state)

    return looked
