"""Walls in three dimensions. Each is computed once, however many clients ask for it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from evenwall.errors import EvenwallError
from evenwall.history.proof import to_look_at
from evenwall.history.recorded import Recorded
from evenwall.model import Plan, PlanJob
from evenwall.service.port import RecordPort

WallMesh = Callable[[Plan], dict[str, Any]]
MESHES_KEPT = 8
COARSE = "Drawn on a coarser mesh than the figures were computed on."


class Walls:
    """Computes walls on a separate thread: a view must not wait for somebody's plan."""

    def __init__(self, records: RecordPort, work: WallMesh | None) -> None:
        """Set up the walls. work: computes the wall of a plan; None without a film."""
        self._records, self._work = records, work
        self.thread = ThreadPoolExecutor(1, "walls")
        self._meshes: dict[str, asyncio.Future[dict[str, Any]]] = {}

    def close(self) -> None:
        """Drop work that has not begun."""
        self.thread.shutdown(wait=False, cancel_futures=True)

    async def of(self, job: PlanJob | None, run_id: str) -> dict[str, Any] | None:
        """Return the wall of a job, or of a run if there is no such job.

        Holds the result of `planning.wall.wall_mesh`, a note that names the wall, and as_turned:
        whether it was computed from the recorded weights and turning. None without a film or a
        plan.
        """
        as_turned = False
        if self._work is None:
            return None
        if job is None:
            run = await self._records.read(lambda journal: Recorded.read(journal, run_id))
            loop = asyncio.get_running_loop()
            plan, note = await loop.run_in_executor(self.thread, to_look_at, run)
            as_turned = plan is not run.plan
        elif job.plan is None:
            return None
        else:
            plan = job.plan
            note = COARSE if plan.wall.min_mm is not None else ""
        return {**await self._mesh(self._work, plan), "note": note, "as_turned": as_turned}

    async def _mesh(self, work: WallMesh, plan: Plan) -> dict[str, Any]:
        """Return the wall of a plan.

        The plan's page asks first, so that the wall is ready when a person looks at the casting
        from all sides during the job.
        """
        key = plan.model_dump_json()
        if key not in self._meshes:
            loop = asyncio.get_running_loop()
            self._meshes[key] = loop.run_in_executor(self.thread, work, plan)
            while len(self._meshes) > MESHES_KEPT:
                del self._meshes[next(iter(self._meshes))]
        try:
            return await asyncio.shield(self._meshes[key])
        except EvenwallError:
            self._meshes.pop(key, None)  # it may be asked for again
            raise
