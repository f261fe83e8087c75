"""The demo: the whole main job on the simulated rig, a scripted operator doing the hand work."""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.app import (
    House,
    Setup,
    demo_telemetry,
    open_house,
    open_panel,
    open_telemetry,
    until_told,
)
from controller.errors import EvenwallError
from controller.model import Command, Plan, RigSpec, Snapshot, Step, read_casting
from controller.operator import Operator
from controller.plan import make_plan
from controller.plantext import clock_words, describe
from web.settings import Settings

Say = Callable[[str], None]
Progress = Callable[[float, str], None]
OVER = (Step.IDLE, Step.DONE, Step.ABANDONED)


@dataclass(frozen=True)
class Demo:
    """What the demo was asked for."""

    spec: RigSpec
    casting: Path
    data: Path
    settings: Settings
    speed: float
    seed: int
    leave: bool  # end after the last coat


async def run(demo: Demo, say: Say, progress: Progress) -> dict[str, Any] | None:
    """Plan, run and sum up; None when it was interrupted.

    After a crash in the middle of a casting the same command joins the turning frame and goes on.
    """
    summary: dict[str, Any] | None = None
    async with demo_telemetry() as broker:
        spec = demo.spec.model_copy(update={"mqtt": broker, "backend": "simulated"})
        setup = Setup(spec, demo.data, demo.casting.parent, demo.speed, demo.seed)
        async with (
            open_house(setup) as house,
            open_telemetry(house),
            open_panel(house, demo.settings, say),
        ):
            say(f"The panel is at {demo.settings.address} (simulated, {demo.speed:g} x life).")
            say(f"Telemetry goes to mqtt://127.0.0.1:{broker.port}.")
            plan = await _plan(house, demo, say, progress)
            job = asyncio.create_task(_cast(house, plan, say))
            if await until_told(job):
                job.cancel()
                await asyncio.gather(job, return_exceptions=True)
                await _abandon(house, say)
            else:
                summary = job.result()
                if not demo.leave:
                    say(f"Done. Still serving {demo.settings.address}; Ctrl-C ends it.")
                    await until_told()
    return summary


async def _plan(house: House, demo: Demo, say: Say, progress: Progress) -> Plan:
    """The plan of the casting under way, or a new one, started."""
    now = house.service.snapshot()
    if now.run_id is not None and now.step not in OVER:
        say("Taking up the casting that was under way.")
        return await house.service.run_plan(now.run_id)
    casting, spec = read_casting(demo.casting), house.setup.spec
    plan = await asyncio.get_running_loop().run_in_executor(
        None, lambda: make_plan(casting, spec, seed=demo.seed, progress=progress)
    )
    say(describe(plan))
    await _start(house, plan)
    return plan


async def _start(house: House, plan: Plan) -> None:
    answer = await house.service.command(
        Command(name="start", key=uuid.uuid4().hex, who="demo", data={"plan": plan})
    )
    if not answer.accepted:
        raise EvenwallError(answer.sentence)


async def _abandon(house: House, say: Say) -> None:
    """Close the record of an interrupted casting in words, the frame ramped down."""
    if house.service.snapshot().step not in OVER:
        answer = await house.service.command(
            Command(
                name="abandon",
                key=uuid.uuid4().hex,
                who="console",
                data={"reason": "interrupted at the console"},
            )
        )
        say(answer.sentence)


async def _cast(house: House, plan: Plan, say: Say) -> dict[str, Any]:
    if house.twin is None or house.board is None:
        raise EvenwallError("the demo needs a simulated rig")
    twin, clock = house.twin, house.clock
    operator = Operator(
        house.service,
        clock,
        house.hand.press,
        house.board.set_guard,
        seed=house.setup.seed,
        touched_coat=lambda: twin.coat_gelled(clock.now_s()),
    )
    telling = asyncio.create_task(_tell(house, say))
    try:
        last = await operator.work()
    finally:
        telling.cancel()
        await asyncio.gather(telling, return_exceptions=True)
    return summary(last, plan)


async def _tell(house: House, say: Say) -> None:
    """The record, line by line, as it is written."""
    told = 0
    async for item in house.service.watch(None):
        if item.kind != "snapshot":
            continue
        for line in Snapshot.model_validate(item.data).record:
            if line.event_id > told:
                told = line.event_id
                say(f"{clock_words(line.at_s):>8}  {line.text}")


def summary(last: Snapshot, plan: Plan) -> dict[str, Any]:
    """What the demo was about, as one document."""
    coats = [
        {
            "coat": coat.coat,
            "planned_mm": coat.planned_mm,
            "weighed_a_g": coat.part_a_g,
            "weighed_b_g": coat.part_b_g,
            "gel_planned_s": coat.gel_planned_s,
            "gel_detected_s": coat.gel_detected_s,
            "steps_expected": coat.steps_expected,
            "steps_counted": coat.steps_counted,
            "steps_exact": coat.steps_counted is not None
            and coat.steps_counted == coat.steps_expected,
            "done": coat.done,
        }
        for coat in last.coats
    ]
    return {
        "run": last.run_id,
        "casting": plan.casting.name,
        "simulated": last.simulated,
        "ended": last.step.value,
        "coats": coats,
        "wall": plan.wall.model_dump(mode="json", exclude_none=True),
        "resin_g": plan.totals.resin_g,
        "elapsed_min": last.now_s / 60.0,
    }
