"""Plans the remaining coats again between two coats, from the weights and observations."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from functools import partial
from typing import Any

from evenwall.errors import EvenwallError
from evenwall.model import Command, Plan
from evenwall.run.orders import Replan
from evenwall.run.replanning import (
    NOTICE,
    budget_s,
    laid,
    may_plan_again,
    rest_of,
    what_changed,
    with_later_coats,
)
from evenwall.service.plan_jobs import Planner
from evenwall.service.port import RunPort

UNDER_WAY = (
    "The remaining coats are being planned again from the weights and times so far. You "
    "can go on working."
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
        """Set up the replanner. planner: `planning.replan`. spawn: begins work on the loop."""
        self._run, self._planner, self._executor = run, planner, executor
        self._spawn, self._notice = spawn, notice
        self._number = run.last_id  # of the newest plan for the remaining coats
        self._better: tuple[str, Plan] | None = None  # a run's full plan that came after its pour
        run.on_laid = self.coat_laid

    def use(self, plan: Plan) -> None:
        """Plan the present run's remaining coats from this plan; at once if a coat is resting."""
        if self._run.state is not None:
            self._better = (self._run.state.run_id, plan)
            self.coat_laid()

    def coat_laid(self) -> None:
        """Plan the rest again, if there is one."""
        if may_plan_again(self._run.state):
            self._number += 1
            self._spawn(self._plan_again(self._number))

    async def _plan_again(self, number: int) -> None:
        """Plan the rest. The plan is dropped if one from newer weights has begun meanwhile."""
        state, seen = self._run.state, self._run.seen
        if state is None:
            return
        done = state.index + 1
        base = state.plan
        if self._better is not None and self._better[0] == state.run_id:
            base = with_later_coats(base, self._better[1], done)
        work = partial(
            self._planner,
            base,
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
                self._notice(NOTICE, f"The remaining coats stay as planned: {error}")
            return
        if number != self._number:
            return
        self._notice(NOTICE, None)
        rest, sentence = rest_of(plan, done), what_changed(state.plan, plan, done)
        answer = await self._run.command(
            Command(
                key=f"again-{state.run_id}-{number}",
                who="planner",
                order=Replan(coats_done=done, rest=rest, sentence=sentence),
            )
        )
        if answer.accepted:
            self._better = None
