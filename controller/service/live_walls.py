"""Predicts the finished wall from the pour until a coat has gelled, and keeps the prediction
current."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from typing import Any

from evenwall.errors import EvenwallError
from evenwall.model import CoatUnderWay, LiveWall, Plan
from evenwall.run.live import GelBand, gel_band_s, has_live_wall, standing
from evenwall.run.state import RunState
from evenwall.service.port import RunPort
from evenwall.service.wall_again import laid_so_far

Wanted = tuple[str, bool, GelBand]  # the coat, whether it stands still, its gel
Foresee = Callable[[Plan, Plan, tuple[int, ...], CoatUnderWay], LiveWall]

# Pause between two computations for one coat: this many times the duration of the last, so that
# they take at most a third of one core, and at least that many seconds of the rig's clock (our
# choice).
PAUSE, LEAST_PAUSE_S = 2.0, 10.0
# A turning coat's wall is computed again when its expected gel time has changed by this share, or
# the ends of its band by three times as much (our choice).
MOVED = 0.01


class LiveWalls:
    """Computes the wall of the coat under way again and again, outside the loop."""

    def __init__(
        self,
        run: RunPort,
        work: Foresee,
        executor: Executor,
        spawn: Callable[[Coroutine[Any, Any, None]], None],
    ) -> None:
        """Set up the work. work: `planning.live_wall.foresee`. spawn: begins work on the loop."""
        self._run, self._work, self._executor, self._spawn = run, work, executor, spawn
        self._at_work, self._next_s = False, 0.0
        self._for: Wanted | None = None

    def looked(self, state: RunState) -> None:
        """Begin a computation if one is due."""
        if not has_live_wall(state):
            self._for, self._next_s = None, 0.0
            self._run.notices.pop(NOTICE, None)
            return
        if self._at_work:
            return
        now_s = self._run.clock.now_s()
        gel_s = gel_band_s(state, self._run.seen.gel)
        wanted = (f"{state.run_id}.{state.index}", standing(state), gel_s)
        same = self._for is not None and self._for[:2] == wanted[:2]
        if same and (now_s < self._next_s or not _moved(self._for, wanted)):
            return
        self._at_work, self._for = True, wanted
        self._spawn(self._compute(state, now_s, gel_s))

    async def _compute(self, state: RunState, now_s: float, gel_s: GelBand) -> None:
        run_id, coat_s = state.run_id, state.coat_time_s(now_s)
        begins_s = coat_s if standing(state) else None
        now = CoatUnderWay(coat=state.coat.coat, gel_s=gel_s, begins_s=begins_s, at_s=now_s)
        try:
            laid, lost = await laid_so_far(self._run, run_id)
            loop = asyncio.get_running_loop()
            work = loop.run_in_executor(self._executor, self._work, state.plan, laid, lost, now)
            self._run.live_wall = await work
        except EvenwallError as error:
            self._run.live_wall = None
            self._run.notices[NOTICE] = f"The wall that this coat leaves is not known: {error}."
        else:
            self._run.notices.pop(NOTICE, None)
        finally:
            self._at_work = False
        took_s = self._run.clock.now_s() - now_s
        self._next_s = now_s + took_s + max(LEAST_PAUSE_S, PAUSE * took_s)
        self._run.wake()


NOTICE = "live_wall"


def _moved(before: Wanted | None, now: Wanted) -> bool:
    """Return whether the wall has to be computed again. That of a coat at rest changes all the
    time."""
    if before is None or now[1]:
        return True
    return gel_moved(before[2], now[2])


def gel_moved(before: GelBand, now: GelBand) -> bool:
    """Return whether the gel's band has moved enough to compute a turning coat's wall again."""
    by = [abs(new / old - 1.0) for old, new in zip(before, now, strict=True)]
    return by[1] > MOVED or max(by[0], by[2]) > 3.0 * MOVED
