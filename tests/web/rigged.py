"""The real service over the real supervisor on the simulated rig, in time that a test moves.

The firmware in this process turns the mould, the twin warms the cup, the journal keeps the record.
Time is a `ManualClock`: it passes as fast as the server asks, and jumps where a test wants the gel
at once. Four things are stood in for, because the panel's tests would wait for them:

- the search for a plan (`Planner`): it takes seconds, and a test must be able to end one halfway;
- the wall in three dimensions (`globe_mesh`): a film takes seconds, and the tests need a shape
  whose wall is known at every place;
- the drawers of paper: tests/reports has what they draw;
- alerts, the scale's words and the like: `show` lays them over the snapshot, so that a page can be
  looked at in a state that a rig reaches seldom.
"""

from __future__ import annotations

import asyncio
import itertools
import tempfile
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

from evenwall.devices.interfaces import Press
from evenwall.errors import PlanError
from evenwall.model import (
    Alert,
    Answer,
    Casting,
    Command,
    MountingTried,
    Plan,
    RigSpec,
    Snapshot,
    Spoken,
    Step,
)
from evenwall.model.details import LEARNT
from evenwall.run.supervisor import Supervisor
from evenwall.service.casting_files import CastingFiles
from evenwall.service.facade import Service
from evenwall.service.mountings import Mountings
from evenwall.service.run_files import Papers
from evenwall.service.simulated_hands import SimulatedHands
from evenwall.simulation.twin import Weather
from evenwall.worker_process import Stopper
from evenwall_bridge.clock import ManualClock, SystemClock
from evenwall_bridge.contract import Mode
from evenwall_bridge.sim_board import VirtualBoard
from tests.faults.light import light
from tests.support.orders import command
from tests.support.virtual_shop import Buttons, Shop, open_shop
from tests.web.plans import fill_library, globe_mesh, small_plan

PDF, PNG = b"%PDF-1.4\n% a paper\n", b"\x89PNG\r\n\x1a\n"
WEATHER = Weather(mean_degC=21.4, swing_degC=0.0)
BEAT_S = 0.25  # of real time, between two moves of the rig's
LEAP_S = 5.0  # of the rig's time: the longest time between two looks of its supervisor
PATIENCE_S = 20_000.0  # of the rig's time: longer than any step of a casting
LAG_S = 0.02  # of real time: a search has its next word


class Comparing:
    """Meets `mountings.Compare`: a word of progress, then a better mounting than the file's.

    going: cleared, a comparison stands still until it is ended.
    """

    def __init__(self) -> None:
        self.going = threading.Event()
        self.going.set()

    def __call__(
        self, casting: Casting, spec: RigSpec, *, progress: Any, stopper: Stopper
    ) -> tuple[tuple[MountingTried, ...], bytes]:
        del casting, spec
        progress(0.5, "mounting 2 of 3")
        while not (self.going.wait(LAG_S) or stopper.ended):
            pass
        if stopper.ended:
            raise PlanError("mounting", "ended", "was given up")
        axes = (((0.6, 0.0, 0.8), 13.0, 0.93), ((0.0, 0.0, 1.0), 50.0, 0.87))
        rows = [
            MountingTried(
                minor_axis=axis,
                mouth_lean_deg=lean_deg,
                thinnest=thinnest,
                bound=0.96,
                given=thinnest < 0.9,
                better=thinnest > 0.9,
            )
            for axis, lean_deg, thinnest in axes
        ]
        return tuple(rows), PNG


class Planner:
    """Meets `plan_jobs.Planner`: three words of progress, then the small plan.

    going: cleared, a search stands still until it is ended; a test that watches one clears it.
    """

    def __init__(self) -> None:
        self.going = threading.Event()
        self.going.set()
        self.sentences: list[str] = []  # lessons of measured castings
        self.comparing = Comparing()

    def __call__(
        self, casting: Casting, spec: RigSpec, *, progress: Any, stopper: Stopper, **_: Any
    ) -> Plan:
        for fraction in (0.34, 0.68, 0.9):
            progress(fraction, "Trying spins on the mesh.")
            while not (self.going.wait(LAG_S) or stopper.finishing or stopper.ended):
                pass
        if stopper.ended:
            raise PlanError("plan", "ended", "was given up")
        made = small_plan()
        learnt = {LEARNT: {"sentences": self.sentences}} if self.sentences else {}
        return made.model_copy(
            update={
                "casting": casting,
                "rig": spec,
                "details": {**made.details, **learnt},
                "notes": (*self.sentences, *made.notes),
            }
        )


class NotingService(Service):
    """The service, with a list of the commands that reached it, first times only."""

    commands: list[Command]

    async def command(self, command: Command) -> Answer:
        answer = await super().command(command)
        if not answer.repeated:
            self.commands.append(command)
        return answer


def _service(
    planner: Planner,
    folder: Path,
    supervisor: Supervisor,
    board: VirtualBoard,
    buttons: Buttons,
) -> NotingService:
    papers = Papers(plan=lambda *_: PDF, run=lambda *_: PDF, wall=lambda *_: PNG)
    service = NotingService(
        supervisor,
        folder / "castings",
        planner,
        wall_mesh=lambda _: globe_mesh(),
        papers=papers,
        photos=folder / "photos",
        stoppable=True,
    )
    service.commands = []
    casting_of = partial(CastingFiles(folder / "castings", service.notice).casting, overrides={})
    service.mountings = Mountings(casting_of, supervisor.spec, planner.comparing)

    def guard() -> None:
        board.set_guard(not service.snapshot().frame.guard_closed)

    service.simulated = SimulatedHands(
        lambda held: buttons.press(Press.LONG if held else Press.NEXT), guard
    )
    return service


class Rigged:
    """The service, and a person at the frame.

    speed: seconds of the rig's time in one of ours. look_s: of the rig's time, between two looks of
    its supervisor. commands: what reached the service from a page.
    """

    def __init__(
        self, shop: Shop, clock: ManualClock, planner: Planner, speed: float, look_s: float
    ) -> None:
        assert isinstance(shop.service, NotingService)
        self.shop, self.clock, self.planner, self.speed = shop, clock, planner, speed
        self.look_s = look_s
        self.service = shop.service
        self.supervisor = shop.supervisor
        self._laid_over: dict[str, Any] = {}
        self._keys = itertools.count(1)
        self._moving = asyncio.Lock()
        self._real = self.supervisor.snapshot
        self.supervisor.snapshot = self._snapshot  # type: ignore[method-assign]

    @property
    def watchers(self) -> set[Any]:
        """Queues of the streams that are open."""
        return self.supervisor._recording._watchers

    @property
    def commands(self) -> list[Command]:
        return self.service.commands

    def _snapshot(self) -> Snapshot:
        return self._real().model_copy(update=self._laid_over)

    # --- time ------------------------------------------------------------------------------------

    async def pass_s(self, duration_s: float) -> None:
        """Let the rig's time pass; the record keeps up with it."""
        async with self._moving:
            await self.clock.advance(duration_s)
            await self.shop.records.flush()

    async def play(self) -> None:
        """Let time pass without end, at `speed` times real time."""
        ours = SystemClock()
        while True:
            await ours.sleep(BEAT_S)
            await self.pass_s(BEAT_S * self.speed)

    async def until(self, met: Any) -> None:
        """Let time pass until this holds."""
        end_s = self.clock.now_s() + PATIENCE_S
        while not met(self.service.snapshot()):
            assert self.clock.now_s() < end_s, self.service.snapshot()
            await self.pass_s(max(2.0, self.look_s))

    # --- words -----------------------------------------------------------------------------------

    def show(self, **fields: Any) -> None:
        """Lay fields over the snapshot, and tell whoever watches."""
        self._laid_over.update(fields)
        self.supervisor.wake()

    def warn(self, *alerts: Alert) -> None:
        self.show(alerts=alerts)

    def say(self, line: Spoken) -> None:
        """Say a sentence aloud at the rig."""
        self.supervisor.spoken = (*self.supervisor.spoken, line)[-8:]
        self.supervisor.wake()

    def stands(self) -> bool:
        """Whether the frame stands still."""
        return self.shop.rig.state.mode is not Mode.TURNING

    # --- hands -----------------------------------------------------------------------------------

    async def ask(self, name: str, **data: Any) -> Answer:
        """Ask as somebody beside the page does; not among `commands`."""
        asked = command(name, f"hands-{next(self._keys)}", who="hands", **data)
        return await super(NotingService, self.service).command(asked)

    async def repeat(self, run_id: str) -> str:
        """Mark a run as proven and cast it again. Return the new run."""
        for name, order in (("prove", {"confirmed": True, "reason": "a trial"}), ("start", {})):
            answer = await self.ask(name, run_id=run_id, **order)
            assert answer.accepted, answer.sentence
        return await self.cast()

    async def begin(self) -> None:
        """Begin a plan if no run is under way."""
        state = self.supervisor.state
        if state is None or state.over:
            answer = await self.ask("start", plan=self.shop.plan)
            assert answer.accepted, answer.sentence

    async def next(self, times: int = 1) -> None:
        """Do what the sheet asks for and take the next step, this many times."""
        for _ in range(times):
            shown = self.service.snapshot()
            if shown.step is Step.PREPARE:
                await self.ask("tick", all=True)
            if shown.step in (Step.PREPARE, Step.CLOSE_UP):
                self.shop.board.set_guard(True)
            if shown.step is Step.WEIGH:
                await self.ask("weigh", part_a_g=76.4, part_b_g=38.2)
            if shown.step is Step.MEASURE:
                await self.ask("measure", weight_g=331.0)
            await self.ready()
            answer = await self.ask("next")
            assert answer.accepted, answer.sentence

    async def turn(self) -> None:
        """Do all the manual work of a coat, until it turns."""
        await self.begin()
        while self.service.snapshot().step is not Step.SPIN:
            await self.next()
        await self.until(lambda shown: shown.sentence == "Keep turning.")

    async def ready(self) -> None:
        """Let time pass until the next step may be taken."""
        await self.until(lambda shown: shown.next_button and shown.next_button.enabled)

    async def turned(self) -> None:
        """Let time pass until the coat has gelled and the mould is parked."""
        await self.until(lambda shown: shown.step not in (Step.SPIN, Step.PARK))

    async def cast(self) -> str:
        """Do a whole casting, from the list to its measures. Return its run."""
        await self.begin()
        while not (state := self.supervisor.state) or not state.over:
            await self.turned()
            await self.next()
        return state.run_id

    async def guard(self, closed: bool) -> None:
        self.shop.board.set_guard(closed)
        await self.pass_s(2.0)


@asynccontextmanager
async def open_rigged(speed: float = 1.0, look_s: float | None = None) -> AsyncIterator[Rigged]:
    """Open the service on a rig of its own, with an empty record in memory.

    look_s: of the rig's time, between two looks of its supervisor; None takes what suits the speed.
    A test that leaps through hours on a slow rig asks for LEAP_S: each look costs the processor.
    """
    look_s = look_s or max(1.0, min(LEAP_S, BEAT_S * speed))
    planner = Planner()
    with tempfile.TemporaryDirectory(prefix="evenwall-rigged-") as folder:
        home = Path(folder)
        (home / "castings").mkdir()
        fill_library(home / "castings")
        clock = ManualClock()
        async with open_shop(
            small_plan(),
            judges=light,
            clock=clock,
            weather=WEATHER,
            state_period_s=max(0.5, look_s / 5.0),
            tick_s=look_s,
            sample_s=max(look_s, BEAT_S * speed),
            serve=partial(_service, planner, home),
        ) as shop:
            rigged = Rigged(shop, clock, planner, speed, look_s)
            await rigged.pass_s(3.0)
            yield rigged
