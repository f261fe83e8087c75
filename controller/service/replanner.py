"""Between two coats the rest is planned again, from what was weighed and seen."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from functools import partial
from typing import Any

from evenwall.errors import EvenwallError
from evenwall.model import Command
from evenwall.run.orders import Replan
from evenwall.run.replanning import (
    NOTICE,
    budget_s,
    laid,
    may_plan_again,
    rest_of,
    what_changed,
)
from evenwall.service.plan_jobs import Planner
from evenwall.service.port import RunPort

UNDER_WAY = (
    "The coats to come are being planned again, from what was weighed and seen; no need to wait."
)


class Replanner:
    """Plans the rest of a run while a coat rests. The pour never waits for it."""

    def __init__(
        self,
        run: RunPort,
        planner: Planner,
        executor: Executor,
        spawn: Callable[[Coroutine[Any, Any, None]], None],
        notice: Callable[[str, str | None], None],
    ) -> None:
        """planner: `plan.replan`. spawn: begins work on the loop."""
        self._run, self._planner, self._executor = run, planner, executor
        self._spawn, self._notice = spawn, notice
        self._number = run.last_id  # of the newest plan of a rest
        run.on_laid = self.coat_laid

    def coat_laid(self) -> None:
        """Plan the rest again, if there is one."""
        if may_plan_again(self._run.state):
            self._number += 1
            self._spawn(self._plan_again(self._number))

    async def _plan_again(self, number: int) -> None:
        """Plan the rest; overtaken by a newer plan, from more that was weighed, it is dropped."""
        state, seen = self._run.state, self._run.seen
        if state is None:
            return
        done = state.index + 1
        work = partial(
            self._planner,
            state.plan,
            laid(state),
            room_degC=seen.room_degC,
            mould_degC=seen.mould_degC,
            time_budget_s=budget_s(state, self._run.clock.now_s(), self._run.speed),
        )
        self._notice(NOTICE, UNDER_WAY)
        try:
            plan = await asyncio.get_running_loop().run_in_executor(self._executor, work)
        except EvenwallError as error:
            if number == self._number and may_plan_again(self._run.state):
                self._notice(NOTICE, f"The coats to come stay as planned: {error}")
            return
        if number != self._number:
            return
        self._notice(NOTICE, None)
        rest, sentence = rest_of(plan, done), what_changed(state.plan, plan, done)
        await self._run.command(
            Command(
                key=f"again-{state.run_id}-{number}",
                who="planner",
                order=Replan(coats_done=done, rest=rest, sentence=sentence),
            )
        )
