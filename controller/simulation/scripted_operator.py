"""The scripted operator: does the manual work of a casting in the demo and in simulation.

The operator sees only the snapshot, as a person does, and uses only commands, the button at the
frame and the guard. The operator's mistakes come from a seed, for the simulation.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from typing import Any

from evenwall.devices.interfaces import Press
from evenwall.model import Command, Snapshot, Step, read_order
from evenwall.run.user_messages import WAIT_TO_POUR
from evenwall.service.facade import Service
from evenwall_bridge.contract import Clock

REFUSED_WAIT_S = 10.0
SAME: Mapping[str, Any] = {"weight_g": 300.0, "rim_mm": 5.0}  # noted if nothing is gauged


@dataclass(frozen=True, slots=True)
class Habits:
    """Habits of the operator; times are shares of what the plan allows."""

    weigh_error: float = 0.002  # relative, each part
    dawdle: float = 1.0  # times the usual durations
    away_at: Step | None = None  # he goes away when this step comes ...
    away_s: float = 0.0  # ... for so long
    measures: bool = True
    opens_guard_at_s: tuple[float, ...] = ()  # of the coat's clock, while it turns
    guard_open_s: float = 20.0
    touches: bool = True  # answers when asked to touch the coat


# Time that a step takes, s, without any hindrance (common practice, no source).
USUAL_S = {
    Step.PREPARE: 30.0,
    Step.WEIGH: 120.0,
    Step.MIX: 90.0,
    Step.DEGAS: 150.0,
    Step.POUR: 45.0,
    Step.CLOSE_UP: 40.0,
    Step.REST: 5.0,
    Step.CURE: 5.0,
    Step.DEMOULD: 120.0,
    Step.MEASURE: 60.0,
}
_AT_FRAME = (Step.PREPARE, Step.CLOSE_UP, Step.REST)


@dataclass
class Operator:
    """Operator that works until the run is over.

    press: button at the frame; guard: its door. gauge: weighs and gauges the casting of this run,
    and may begin while it cures; without it he notes the same weight and rim of every casting.
    """

    service: Service
    clock: Clock
    press: Callable[[Press], None]
    guard: Callable[[bool], None]
    seed: int = 0
    habits: Habits = Habits()
    touched_coat: Callable[[], bool] = lambda: False
    gauge: Callable[[str], Coroutine[Any, Any, Mapping[str, Any]]] | None = None
    _tries: dict[tuple[str, str], int] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        self._random = random.Random(f"operator/{self.seed}")
        self._opened: set[tuple[int, float]] = set()
        self._was_away = False
        self._at_frame = False  # he has come back to a frame that stands still
        self._gauging: asyncio.Task[Mapping[str, Any]] | None = None
        self.waited_s = 0.0  # for `gauge`, which takes its own time and not the rig's

    async def work(self) -> Snapshot:
        """Do every step when it is due and return the last snapshot."""
        self.guard(True)
        try:
            while True:
                shown = self.service.snapshot()
                if shown.step in (Step.DONE, Step.ABANDONED):
                    return shown
                if shown.step is Step.IDLE:
                    await self.clock.sleep(1.0)
                    continue
                if shown.step is Step.CURE:
                    self._begin_gauging(shown.run_id or "")
                await self._one(shown)
        finally:
            if self._gauging is not None:
                self._gauging.cancel()
                await asyncio.gather(self._gauging, return_exceptions=True)

    async def _one(self, shown: Snapshot) -> None:
        if shown.step is self.habits.away_at and not self._was_away:
            self._was_away = True
            await self.clock.sleep(self.habits.away_s)
            return
        if shown.step in (Step.SPIN, Step.PARK) or shown.frame.mode == "turning":
            await self._watch(shown)
            return
        if any(alert.kind == "mix_gone" for alert in shown.alerts):
            await self._ask("answer", shown, question="mix_again", value="yes")
            await self.clock.sleep(1.0)
            return
        waits_s = self._waits_s(shown)
        if waits_s > 0:
            await self.clock.sleep(waits_s)
            return
        usual_s = USUAL_S[shown.step] * self.habits.dawdle * self._random.uniform(0.8, 1.2)
        if shown.step is Step.POUR:
            self.guard(False)
        await self.clock.sleep(usual_s)
        if self.service.snapshot().step_id != shown.step_id:
            return  # his last press was still on its way when he looked
        if shown.step is Step.WEIGH:
            await self._weigh(shown)
        if shown.step in (Step.POUR, Step.PREPARE, Step.CLOSE_UP, Step.REST):
            self.guard(True)
            await self.clock.sleep(1.0)
        if shown.step is Step.MEASURE and self.habits.measures:
            await self._ask("measure", shown, **await self._measures(shown.run_id or ""))
        await self._next(shown)

    async def _measures(self, run_id: str) -> Mapping[str, Any]:
        """Return the figures that he notes of the casting."""
        self._begin_gauging(run_id)
        if self._gauging is None:
            return SAME
        from_s = self.clock.now_s()
        found = await self._gauging
        self.waited_s += self.clock.now_s() - from_s
        return found

    def _begin_gauging(self, run_id: str) -> None:
        if self.gauge is not None and self._gauging is None:
            self._gauging = asyncio.create_task(self.gauge(run_id))

    def _waits_s(self, shown: Snapshot) -> float:
        """Return the wait before the present step may be left."""
        waiting = shown.step in (Step.REST, Step.CURE) or shown.sentence == WAIT_TO_POUR
        if not waiting or shown.countdown is None or shown.countdown.kind != "wait":
            return 0.0
        return max(0.0, shown.countdown.until_s - self.clock.now_s())

    async def _watch(self, shown: Snapshot) -> None:
        """Watch the turning frame: look now and then, and help when asked."""
        kinds = {alert.kind for alert in shown.alerts}
        standing = any(kind.startswith("standing_") and kind != "standing_long" for kind in kinds)
        coat = shown.coats[shown.coat - 1]
        if shown.next_button is not None and shown.next_button.command == "resume":
            if self._at_frame:
                await self.clock.sleep(REFUSED_WAIT_S)
            elif standing or "guard_open" in kinds or shown.step is Step.PARK:
                await self.clock.sleep(self.habits.guard_open_s)
            self._at_frame = True
            self.guard(True)
            await self.clock.sleep(1.0)
            if self.service.spec.confirm_at_rig:
                self.press(Press.NEXT)
            else:
                await self._ask("resume", shown)
            await self.clock.sleep(2.0)
            return
        self._at_frame = False
        if "no_gel" in kinds and self.habits.touches and self.touched_coat():
            await self._ask("touch", shown, what="coat")
        met_s = coat.parts_met_s
        if met_s is not None and shown.step is Step.SPIN:
            for at_s in self.habits.opens_guard_at_s:
                if self.clock.now_s() - met_s >= at_s and (shown.coat, at_s) not in self._opened:
                    self._opened.add((shown.coat, at_s))
                    self.guard(False)
        await self.clock.sleep(5.0)

    async def _weigh(self, shown: Snapshot) -> None:
        coat = shown.coats[shown.coat - 1]
        spread = self.habits.weigh_error
        off_a, off_b = (1.0 + self._random.gauss(0.0, spread) for _ in range(2))
        await self._ask(
            "weigh",
            shown,
            part_a_g=round(coat.planned_part_a_g * off_a, 1),
            part_b_g=round(coat.planned_part_b_g * off_b, 1),
        )

    async def _next(self, shown: Snapshot) -> None:
        if shown.step is Step.PREPARE and len(shown.ticked) < len(shown.checklist):
            await self._ask("tick", shown, all=True)
        if shown.step in _AT_FRAME and self.service.spec.confirm_at_rig:
            self.press(Press.NEXT)
            await self.clock.sleep(2.0)
            return
        if not await self._ask("next", shown):
            await self._put_right(self.service.snapshot())

    async def _put_right(self, shown: Snapshot) -> None:
        """Handle a refused step: follow the sheet, or wait."""
        kinds = {alert.kind for alert in shown.alerts}
        if "weights_refused" in kinds:
            await self._weigh(shown)
        elif "not_up" in kinds or shown.frame.guard_closed is False:
            self.guard(True)
            await self.clock.sleep(1.0)
            self.press(Press.NEXT)
        await self.clock.sleep(REFUSED_WAIT_S)

    async def _ask(self, name: str, shown: Snapshot, **data: object) -> bool:
        tried = (shown.step_id, name)
        self._tries[tried] = self._tries.get(tried, 0) + 1
        command = Command(
            # After a restart the same act has the same key, and is not done twice.
            key=f"operator-{shown.step_id}-{name}-{self._tries[tried]}",
            step_id=shown.step_id,
            who="operator",
            order=read_order(name, data),
        )
        return (await self.service.command(command)).accepted
