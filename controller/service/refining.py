"""Refining of a run that began with the first answer: the full plan replaces it when safe."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

from evenwall.errors import EvenwallError
from evenwall.model import Command, Plan, PlanJob
from evenwall.model.details import FIRST_ANSWER
from evenwall.planning.pace import left_words
from evenwall.run.gate import admit
from evenwall.run.orders import Refine
from evenwall.run.replanning import (
    FIRST_NOTICE,
    NOTICE,
    before_first_pour,
    rest_of,
    what_is_better,
)
from evenwall.run.state import RunState
from evenwall.service.plan_jobs import PlanJobs
from evenwall.service.port import RunPort

SEARCHING = (
    "This casting began with the first answer. The full plan is being searched for{left}; it takes "
    "over before the first pour. Go on: no need to wait."
)
SEARCHING_STILL = (
    "This casting began with the first answer. The full plan is still being searched for{left}; it "
    "then plans the coats to come. No need to wait."
)
LATER = "{why} The remaining coats are planned from it."
NONE = "There is no full plan ({why}), so the first answer is used."


class Refining:
    """Follows the search whose first answer a run began with."""

    def __init__(
        self,
        run: RunPort,
        jobs: PlanJobs,
        spawn: Callable[[Coroutine[Any, Any, None]], None],
        notice: Callable[[str, str | None], None],
        later: Callable[[Plan], None] | None,
    ) -> None:
        """Set up the follower.

        spawn: begins work on the loop. later: takes a full plan that came after the first pour, for
        the remaining coats; None: they stay as planned.
        """
        self._run, self._spawn, self._notice, self._later = run, spawn, notice, later
        self._job_id = self._run_id = ""
        self._jobs = jobs
        jobs.on_change = self._changed

    def begun(self, job_id: str, run_id: str) -> None:
        """Follow this job; the run began with its first answer."""
        state, job = self._run.state, self._jobs.get(job_id)
        if job is None or state is None or not state.plan.details.get(FIRST_ANSWER):
            return
        self._job_id, self._run_id = job_id, run_id
        self._changed(job)

    def resume(self) -> None:
        """Continue the search after a restart of the controller.

        This applies to a run that began with the first answer and is not poured yet.
        """
        state = self._run.state
        if state is None or state.over or not state.plan.details.get(FIRST_ANSWER):
            return
        if before_first_pour(state):
            casting = state.plan.casting
            job = self._jobs.add(casting.name, casting)
            self.begun(job.job_id, state.run_id)
            self._spawn(self._jobs.make(job.job_id, casting, self._run.spec))

    def _state(self) -> RunState | None:
        """Return the state of the followed run, or None once it is over."""
        state = self._run.state
        if state is None or state.run_id != self._run_id or state.over:
            return None
        return state

    def _changed(self, job: PlanJob) -> None:
        if job.job_id != self._job_id:
            return
        state = self._state()
        if state is None:
            self._let_go(None)
        elif not job.done:
            said = SEARCHING if before_first_pour(state) else SEARCHING_STILL
            self._notice(FIRST_NOTICE, said.format(left=left_words(job.left_s)))
        elif job.plan is None or job.rough:
            why = job.error or "its search was stopped"
            self._let_go(NONE.format(why=why.rstrip(".")))
        else:
            self._job_id = ""
            self._spawn(self._take(job.plan, job.job_id))

    def _let_go(self, word: str | None) -> None:
        self._job_id = ""
        self._notice(FIRST_NOTICE, None)
        self._notice(NOTICE, word)

    async def _take(self, found: Plan, job_id: str) -> None:
        """Replace the first answer by the full plan now, or hand it on for the remaining coats."""
        try:
            plan = await asyncio.to_thread(admit, found, self._run.spec)
        except EvenwallError as error:
            self._let_go(NONE.format(why=error))
            return
        state = self._state()
        self._notice(FIRST_NOTICE, None)
        if state is None:
            return
        sentence = what_is_better(state.plan, plan)
        answer = await self._run.command(
            Command(
                key=f"refined-{state.run_id}-{job_id}",
                who="planner",
                order=Refine(rest=rest_of(plan, 0), sentence=sentence),
            )
        )
        if answer.accepted:
            self._notice(NOTICE, sentence)
        elif self._later is not None and len(plan.coats) > state.index + 1:
            self._notice(NOTICE, LATER.format(why=answer.sentence))
            self._later(plan)
        else:
            self._notice(NOTICE, answer.sentence)
