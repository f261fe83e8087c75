"""A whole shop in virtual time: board, twin, supervisor, service and operator around one plan."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Any

from evenwall.cli.weighing import ScaleLead
from evenwall.devices.interfaces import Light, Press
from evenwall.model import Plan, RigSpec, Step, WallSummary, read_casting, read_rig
from evenwall.planning import make_plan
from evenwall.records.journal import Journal
from evenwall.records.records import Records
from evenwall.run.gel_monitor import estimator
from evenwall.run.motion import frame_limits
from evenwall.run.observation import GelMonitors
from evenwall.run.supervisor import Supervisor
from evenwall.service.facade import Service
from evenwall.service.live_walls import Foresee
from evenwall.service.spin_answers import Answer
from evenwall.simulation.scripted_operator import Habits, Operator
from evenwall.simulation.twin import Twin, Weather
from evenwall_bridge.clock import LoopClock
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.sim_board import VirtualBoard
from evenwall_bridge.sim_scale import PanScale
from tests.support.orders import command

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "controller" / "samples"


@cache
def sample_rig() -> RigSpec:
    return read_rig(ROOT / "hardware" / "rigs" / "small.toml")


@cache
def lantern_plan() -> Plan:
    return make_plan(read_casting(SAMPLES / "lantern-globe.toml"), sample_rig(), time_budget_s=0.0)


@dataclass
class Buttons:
    """Meets `ports.Inputs`; presses by hand."""

    pressed: list[Press] = field(default_factory=list)

    def press(self, press: Press) -> None:
        self.pressed.append(press)

    def presses(self) -> tuple[Press, ...]:
        pressed, self.pressed = tuple(self.pressed), []
        return pressed

    def close(self) -> None:
        return None


@dataclass
class Lamp:
    """Meets `ports.Outputs`; remembers."""

    light: Light = Light.OFF
    beeps: int = 0

    def show(self, light: Light) -> None:
        self.light = light

    def sound(self, repeats: int) -> None:
        self.beeps += repeats

    def close(self) -> None:
        return None


@dataclass
class Shop:
    clock: LoopClock
    board: VirtualBoard
    rig: HostRig
    twin: Twin
    records: Records
    supervisor: Supervisor
    service: Service
    buttons: Buttons
    lamp: Lamp
    plan: Plan
    seed: int = 0
    pan: PanScale | None = None  # the scale, where the shop has one

    def operator(self, habits: Habits | None = None) -> Operator:
        return Operator(
            self.service,
            self.clock,
            self.buttons.press,
            self.board.set_guard,
            seed=self.seed,
            habits=habits or Habits(),
            touched_coat=lambda: self.twin.coat_gelled(self.clock.now_s()),
        )

    @property
    def step(self) -> Step:
        """The step of the run: for a wait, which would otherwise make a snapshot each second."""
        state = self.supervisor.state
        return Step.IDLE if state is None else state.step

    async def ask(self, name: str, key: str = "", **data: Any) -> Any:
        key = key or f"{name}-{self.clock.now_s()}"
        return await self.service.command(command(name, key, **data))

    async def until(self, met: Any, limit_s: float = 40_000.0, step_s: float = 1.0) -> None:
        """Wait in the shop's time until this holds."""
        end_s = self.clock.now_s() + limit_s
        while not met():
            assert self.clock.now_s() < end_s, "waited in vain"
            await self.clock.sleep(step_s)


@asynccontextmanager
async def open_shop(
    plan: Plan | None = None,
    *,
    seed: int = 0,
    record: Path | Journal | None = None,
    judges: GelMonitors = estimator,
    board: VirtualBoard | None = None,
    clock: LoopClock | None = None,
    prepare: Callable[[Shop], None] | None = None,
    weather: Weather | None = None,
    state_period_s: float = 0.5,
    tick_s: float = 1.0,
    idle_tick_s: float = 2.0,
    sample_s: float = 2.0,
    replanner: Callable[..., Plan] | None = None,
    scale: bool = False,
    wall_again: Callable[[Plan, tuple[int, ...]], WallSummary] | None = None,
    live_wall: Foresee | None = None,
    answer: Answer | None = None,
    serve: Callable[[Supervisor, VirtualBoard, Buttons], Service] | None = None,
) -> AsyncIterator[Shop]:
    """Open the connected shop; opening it again with the same `board` and `record` is a restart.

    serve: makes the service, in place of the usual one.
    """
    plan = plan or lantern_plan()
    clock = clock or LoopClock()
    spec = plan.rig
    board = board or VirtualBoard(clock)
    rig = HostRig(clock, frame_limits(spec), board, state_period_s)
    twin = Twin(clock, board, spec, seed, weather)
    records = Records(record)
    buttons, lamp = Buttons(), Lamp()
    supervisor = Supervisor(
        rig=rig,
        spec=spec,
        clock=clock,
        records=records,
        probes={
            "resin": (spec.probes[0], twin.probe("resin")),
            "room": (spec.probes[-1], twin.probe("room")),
        },
        inputs=buttons,
        outputs=lamp,
        judges=judges,
        tick_s=tick_s,
        idle_tick_s=idle_tick_s,
        sample_s=sample_s,
        link_stale_s=max(3.0, 4.0 * state_period_s),
        in_line=True,
    )
    supervisor.on_event = twin.follow
    if serve is not None:
        service = serve(supervisor, board, buttons)
    else:
        service = Service(
            supervisor,
            SAMPLES,
            partial(make_plan, time_budget_s=0.0),
            replanner=replanner,
            wall_again=wall_again,
            live_wall=live_wall,
            answer=answer,
        )
    shop = Shop(clock, board, rig, twin, records, supervisor, service, buttons, lamp, plan, seed)
    if prepare is not None:
        prepare(shop)
    await supervisor.start()
    leading = None
    if scale:
        shop.pan = PanScale(clock)
        leading = asyncio.create_task(ScaleLead(supervisor, clock).follow(shop.pan))
    try:
        yield shop
    finally:
        if leading is not None:
            leading.cancel()
            await asyncio.gather(leading, return_exceptions=True)
        await service.close()
        await supervisor.close()
