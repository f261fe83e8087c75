"""Starting a run: find its plan, admit it and give it the run's number."""

from __future__ import annotations

import asyncio
import itertools

from evenwall.errors import EvenwallError, InputError, said_outside
from evenwall.history.habits import close_up_taken_s
from evenwall.history.proof import replayed
from evenwall.history.recorded import Recorded
from evenwall.model import Answer, Plan
from evenwall.model.orders import Start, StartOwn
from evenwall.records.journal import Journal
from evenwall.run.gate import admit
from evenwall.run.orders import Begin
from evenwall.run.replay import DETAIL, replay_of
from evenwall.service.casting_files import CastingFiles
from evenwall.service.plan_jobs import PlanJobs
from evenwall.service.port import RunPort


class Starting:
    """Turns the command `start` into the order that begins a run."""

    def __init__(self, run: RunPort, files: CastingFiles, jobs: PlanJobs) -> None:
        self._run, self._files, self._jobs = run, files, jobs
        self._run_numbers = itertools.count(1)

    async def prepared(self, order: Start | StartOwn) -> Begin | Answer:
        """Find the plan for a start: from a job, from the command, or from a recorded run."""
        replay_of = None
        try:
            if isinstance(order, StartOwn):
                plan = await self._admitted(order.plan)
            elif order.job_id is not None:
                job = self._jobs.named(order.job_id)
                if job.plan is None or not (job.done or job.rough):
                    return Answer(accepted=False, sentence="The plan is not made yet.")
                plan = await self._admitted(job.plan)
            elif order.run_id is not None:
                replay_of = order.run_id
                plan = await self._admitted(await self._replayed(replay_of))
            elif order.plan is not None:
                plan = await self._named(await self._admitted(order.plan, sent=True))
            else:
                return Answer(accepted=False, sentence="Name a plan, or the run to repeat.")
        except EvenwallError as error:
            return Answer(accepted=False, sentence=said_outside(error))
        utc = self._run.clock.utc()
        run_id = f"{utc:%Y%m%d-%H%M%S}-{next(self._run_numbers)}"
        close_up_s = await self._run.records.read(close_up_taken_s)
        return Begin(plan=plan, run_id=run_id, replay_of=replay_of, close_up_s=close_up_s)

    async def _admitted(self, plan: Plan, *, sent: bool = False) -> Plan:
        """Admit a plan on a thread: the loop that keeps a frame turning must not wait for it."""
        return await asyncio.to_thread(admit, plan, self._run.spec, sent=sent)

    async def _replayed(self, run_id: str) -> Plan:
        """Return a recorded run's plan for today, with the present room and mould temperatures."""
        seen, spec = self._run.seen, self._run.spec

        def work(journal: Journal) -> Plan:
            run = Recorded.read(journal, run_id)
            room_degC, mould_degC = seen.room_degC, seen.mould_degC
            if room_degC is None:
                room_degC = run.plan.casting.shop.temp_degC
            if mould_degC is None:
                mould_degC = room_degC
            return replayed(run, spec, room_degC, mould_degC)

        return await self._run.records.read(work)

    async def _named(self, plan: Plan) -> Plan:
        """Return a plan that was sent, without any path in it.

        Its form is the one in the library with the same hash, or none. Its statements about a
        proven run must agree with this record. Raises InputError.
        """
        mesh = await asyncio.to_thread(self._files.mesh_of, plan.geometry.mesh_sha256)
        if DETAIL in plan.details:
            detail = replay_of(plan)
            run = await self._run.records.read(
                lambda journal: Recorded.read(journal, detail.run_id)
            )
            kept = None if run.proof is None else run.proof.spin
            coats = tuple(one.proven for one in detail.coats)
            if kept is None or (kept.sha256, kept.coats) != (detail.sha256, coats):
                limit = "does not match the plan in this record: start the replay from its run"
                raise InputError(f"details.{DETAIL}", detail.run_id, limit)
        casting = plan.casting.model_copy(update={"mesh": mesh})
        return plan.model_copy(update={"casting": casting})
