"""Computes the wall again during a run, once a coat differs from the plan."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from typing import Any

from evenwall.errors import EvenwallError, said_outside
from evenwall.history.laid import as_laid
from evenwall.history.recorded import Recorded
from evenwall.model import Plan, WallSummary
from evenwall.run.laid import LaidKey
from evenwall.run.user_messages import AS_TURNED, NOT_COMPUTED
from evenwall.service.port import RunPort

WallAsLaid = Callable[[Plan, tuple[int, ...]], WallSummary]


async def laid_so_far(run: RunPort, run_id: str) -> tuple[Plan, tuple[int, ...]]:
    """Return the run as `as_laid` reads it from the record, with all that waits to be written."""
    await run.records.flush()
    return await run.records.read(lambda journal: as_laid(Recorded.read(journal, run_id)))


class WallAgain:
    """Computes the wall of the present run again, outside the loop, until the record is current."""

    def __init__(
        self,
        run: RunPort,
        work: WallAsLaid,
        executor: Executor,
        spawn: Callable[[Coroutine[Any, Any, None]], None],
    ) -> None:
        """Set up the work. work: `planning.wall_as_laid`. spawn: begins work on the loop."""
        self._run, self._work, self._executor, self._spawn = run, work, executor, spawn
        run.on_changed = self.changed

    def changed(self, key: LaidKey) -> None:
        """Begin to compute the wall that follows from the present record."""
        self._spawn(self._compute(key))

    async def _compute(self, key: LaidKey) -> None:
        state = self._run.state
        if state is None:
            return
        run_id, target_mm = state.run_id, state.plan.wall.target_mm
        try:
            plan, lost = await laid_so_far(self._run, run_id)
            loop = asyncio.get_running_loop()
            wall = await loop.run_in_executor(self._executor, self._work, plan, lost)
            found = wall.model_copy(update={"note": AS_TURNED})
        except EvenwallError as error:
            note = NOT_COMPUTED.format(why=said_outside(error))
            found = WallSummary(target_mm=target_mm, mean_mm=0.0, note=note)
        self._run.wall = (key, found)
        self._run.wake()
