"""Looks for a better rest of a turning coat's spin, and offers or makes the change."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from functools import partial
from typing import Any, Protocol

from evenwall.errors import EvenwallError
from evenwall.model import CoatUnderWay, Command, Plan, RigSpec, SpinChange
from evenwall.run.alerts import GELLING_FROM
from evenwall.run.changed_spin import spun_ramps
from evenwall.run.live import GelBand, gel_band_s
from evenwall.run.orders import ChangeSpin
from evenwall.run.spin_offer import MOST_OFFERS, comes_s, hand_over_s, may_change
from evenwall.run.state import RunState
from evenwall.run.user_messages import CHANGE_LATE
from evenwall.service.live_walls import gel_moved
from evenwall.service.port import RunPort
from evenwall.service.wall_again import laid_so_far

# Pause between two computations for one coat: as long as the last one took, so that they take at
# most half a core, and at least that many seconds of the rig's clock (our choice).
PAUSE, LEAST_PAUSE_S = 1.0, 20.0
# Time allowed for a computation, until the first one has shown how long it takes, real s; then
# this many times as long (our choice).
FIRST_WORK_S, SPARE = 45.0, 1.5
ANSWER_S = 60.0  # for the person, s of the rig's clock: to see the offer and decide (our choice)
NOTICE = "spin_answer"


class Answer(Protocol):
    """Interface of `planning.spin_change.answer`."""

    def __call__(
        self,
        planned: Plan,
        laid: Plan,
        lost: tuple[int, ...],
        now: CoatUnderWay,
        spec: RigSpec,
        *,
        from_profile_s: float,
    ) -> SpinChange | None: ...


class SpinAnswers:
    """Asks for a change of the present coat's spin again and again, outside the loop.

    The frame never waits for it: without an answer, or with a late one, the planned spin goes on.
    """

    def __init__(
        self,
        run: RunPort,
        work: Answer,
        executor: Executor,
        spawn: Callable[[Coroutine[Any, Any, None]], None],
    ) -> None:
        """Set up the work. spawn: begins work on the loop."""
        self._run, self._work, self._executor, self._spawn = run, work, executor, spawn
        self._at_work, self._next_s = False, 0.0
        self._work_s = FIRST_WORK_S * run.speed  # time allowed for a computation
        self._for: tuple[str, GelBand] | None = None  # the coat and the gel last computed for

    def looked(self, state: RunState) -> None:
        """Begin a computation if one is due."""
        if self._run.spec.spin_changes == "off" or not may_change(state, self._run.seen):
            self._run.notices.pop(NOTICE, None)
            return
        coat = state.coat
        if self._at_work or coat.offer is not None or coat.offers >= MOST_OFFERS:
            return
        now_s = self._run.clock.now_s()
        which, gel_s = f"{state.run_id}.{state.index}", gel_band_s(state, self._run.seen.gel)
        last_s = None if self._for is None or self._for[0] != which else self._for[1]
        if now_s < self._next_s or (last_s is not None and not gel_moved(last_s, gel_s)):
            return
        if self._nearly_gelled(state, gel_s, now_s) or state.plan.wall.min_mm is None:
            return
        self._at_work, self._for = True, (which, gel_s)
        self._spawn(self._compute(state, now_s, gel_s))

    def _begins_s(self, now_s: float) -> float:
        """Return when a change that is computed from now on can begin, s on the rig's clock."""
        answer_s = ANSWER_S if self._run.spec.spin_changes == "ask" else 0.0
        return now_s + self._work_s + answer_s + hand_over_s(self._run.seen.lag_s)

    def _nearly_gelled(self, state: RunState, gel_s: GelBand, now_s: float) -> bool:
        """Return whether a change would come when the coat hardly flows any more."""
        coat_s = state.coat_time_s(self._begins_s(now_s))
        return coat_s is None or coat_s >= GELLING_FROM * gel_s[0]

    async def _compute(self, state: RunState, now_s: float, gel_s: GelBand) -> None:
        now = CoatUnderWay(coat=state.coat.coat, gel_s=gel_s, begins_s=None, at_s=now_s)
        from_s = self._begins_s(now_s) - comes_s(state, 0.0)
        try:
            laid, lost = await laid_so_far(self._run, state.run_id)
            plan, spec = as_it_goes_on(state), self._run.spec
            work = partial(self._work, plan, laid, lost, now, spec, from_profile_s=from_s)
            loop = asyncio.get_running_loop()
            change = await loop.run_in_executor(self._executor, work)
        except EvenwallError as error:
            said = f"No better rest of this spin is known, so the planned one goes on: {error}."
            self._run.notices[NOTICE] = said
        else:
            self._run.notices.pop(NOTICE, None)
            if change is not None and _same_mix(state, self._run.state):
                await self._give(state.run_id, change)
        finally:
            self._at_work = False
            took_s = self._run.clock.now_s() - now_s
            self._work_s = max(1.0, SPARE * took_s)
            self._next_s = now_s + took_s + max(LEAST_PAUSE_S, PAUSE * took_s)
        self._run.wake()

    async def _give(self, run_id: str, change: SpinChange) -> None:
        """Offer the change, or make it; show why if the run refuses it."""
        ask = self._run.spec.spin_changes == "ask"
        answer = await self._run.command(
            Command(
                key=f"spin-{run_id}-{change.coat}-{self._run.last_id}",
                who="planner",
                order=ChangeSpin(change=change, ask=ask),
            )
        )
        if not answer.accepted:
            self._run.notices[NOTICE] = answer.sentence
        if answer.sentence == CHANGE_LATE:
            self._for = None  # once more, with the time that it has now been seen to take


def _same_mix(asked: RunState, now: RunState | None) -> bool:
    """Whether the coat that was asked about is still the present one, and not poured again."""
    if now is None or now.run_id != asked.run_id:
        return False
    return (now.index, now.coat.parts_met_s) == (asked.index, asked.coat.parts_met_s)


def as_it_goes_on(state: RunState) -> Plan:
    """Return the plan of a run whose present coat turns as it now will, with changes taken."""
    coat, planned = state.coat, state.coat_plan
    if not coat.changes:
        return state.plan
    spun = planned.model_copy(update={"ramps": spun_ramps(planned.ramps, coat.changes)})
    coats = (*state.plan.coats[: state.index], spun, *state.plan.coats[state.index + 1 :])
    return state.plan.model_copy(update={"coats": coats})
