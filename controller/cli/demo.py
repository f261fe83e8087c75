"""Demo: a whole casting on the simulated rig, with a scripted operator for the manual work."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from evenwall.cli.application import (
    OVER,
    Application,
    Setup,
    data_home,
    demo_telemetry,
    open_doors,
    scripted_operator,
)
from evenwall.cli.serving import abandon, start, tell
from evenwall.cli.signals import Signals
from evenwall.model import Finding, Measured, Plan, Snapshot, Step, orders, read_casting
from evenwall.planning.in_words import describe
from evenwall.worker_process import in_worker
from evenwall_web.settings import Settings

_PLANNING = "planning"
PLAN_BUDGET_S = 20.0  # a few rounds of a search, and its wall on the last mesh
FIRST_INSTEAD = "the demo casts the first answer, with ordinary spins and a rough wall."

Say = Callable[[str], None]
Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Demo:
    """Options of the demo."""

    setup: Setup
    casting: Path
    settings: Settings
    leave: bool  # end after the last coat


async def run(demo: Demo, say: Say, progress: Progress) -> dict[str, Any] | None:
    """Plan, run and summarise; None if interrupted.

    After a crash during a casting the same command joins the turning frame and continues.
    """
    summary: dict[str, Any] | None = None
    async with demo_telemetry() as broker:
        spec = demo.setup.spec.model_copy(update={"mqtt": broker})
        setup = replace(demo.setup, spec=spec)
        async with open_doors(setup, demo.settings, say) as application:
            say(
                "No telemetry: the demo's broker is an extra, pip install 'evenwall[demo]'."
                if broker is None
                else f"Telemetry goes to mqtt://127.0.0.1:{broker.port}."
            )
            plan = await _plan(application, demo, say, progress)
            with Signals() as signals:
                job = asyncio.create_task(_cast(application, plan, say))
                if await signals.wait(job):
                    job.cancel()
                    await asyncio.gather(job, return_exceptions=True)
                    say(await abandon(application))
                else:
                    summary = job.result()
                    say(told(summary, setup.data))
                    if not demo.leave:
                        say(f"Done. Still serving {demo.settings.address}; Ctrl-C ends it.")
                        await signals.wait()
    return summary


async def _plan(application: Application, demo: Demo, say: Say, progress: Progress) -> Plan:
    """Return the plan of the casting under way, or make and start a new one."""
    now = application.service.snapshot()
    if now.run_id is not None and now.step not in OVER:
        return await application.service.run_plan(now.run_id)
    casting, spec = read_casting(demo.casting), application.setup.spec
    application.service.notice(
        _PLANNING,
        f"{casting.name} is being planned. This takes up to {PLAN_BUDGET_S:.0f} s; then the "
        f"casting starts by itself.",
    )
    more = {"seed": demo.setup.seed, "time_budget_s": PLAN_BUDGET_S, "progress": progress}
    plan = await _computed("evenwall.planning", "make_plan", casting, spec, **more)
    if plan.wall.min_mm is None and PLAN_BUDGET_S > 0.0:
        say(f"On this machine the search found no wall in {PLAN_BUDGET_S:.0f} s: {FIRST_INSTEAD}")
        plan = await _computed("evenwall.planning.first_answer", "first_plan", casting, spec)
    application.service.notice(_PLANNING, None)
    say(describe(plan))
    await start(application, orders.StartOwn(plan=plan), who="demo")
    return plan


async def _computed(module: str, function: str, *args: Any, **more: Any) -> Plan:
    """Return a plan that another process computes."""
    work = partial(in_worker, module, function, *args, **more)
    plan: Plan = await asyncio.get_running_loop().run_in_executor(None, work)
    return plan


async def _cast(application: Application, plan: Plan, say: Say) -> dict[str, Any]:
    telling = asyncio.create_task(tell(application, say))
    hands = scripted_operator(application, gauges=True)
    try:
        last = await hands.work()
    finally:
        telling.cancel()
        await asyncio.gather(telling, return_exceptions=True)
    done = summary(last, plan, hands.waited_s)
    if last.run_id is not None and last.step is Step.DONE:
        found = await application.service.assess(last.run_id)
        done["measured"] = [one.model_dump(mode="json") for one in found.findings]
        done["odds"] = odds_kept(plan, found.measured)
    return done


def odds_kept(plan: Plan, measured: Measured) -> dict[str, float] | None:
    """Return the thinnest reading and the value that the plan promises for nine castings in ten;
    None without that promise or without a reading."""
    odds = plan.details.get("odds")
    walls = [*measured.rim_mm, *(spot.wall_mm for spot in measured.spots)]
    if not odds or not walls:
        return None
    return {"nine_in_ten_mm": odds["nine_in_ten_mm"], "thinnest_mm": min(walls)}


def told(done: dict[str, Any], data: Path) -> str:
    """Return the summary in words, with the places of the details."""
    laid = sum(coat["done"] for coat in done["coats"])
    thin = done["wall"].get("min_mm")
    wall = f"{done['wall']['mean_mm']:.2f} mm on average"
    if thin is not None:
        wall += f", {thin:.2f} mm in the thinnest patch"
    at = "" if data == data_home() / "demo" else f" --data {data}"
    return (
        f"{done['casting']}: {laid} of {len(done['coats'])} coats from {done['resin_g']:.0f} g of "
        f"resin in {done['elapsed_min']:.0f} min of the rig's time. The wall as planned: {wall}.\n"
        f"{_measured_words(done)}"
        f"The whole record: evenwall runs show {done['run']}{at}"
    )


def _measured_words(done: dict[str, Any]) -> str:
    """Return the casting's measures beside the plan's figures, in words."""
    if not done.get("measured"):
        return ""
    # The reports load a plotting library, which a running frame must not wait for.
    from evenwall.cli.runs import columns
    from evenwall.reports.run_report import findings_table

    table = findings_table([Finding(**one) for one in done["measured"]])
    said = (
        "The casting, made from the frame's turning by another solver with hidden faults of its "
        f"own, as its maker measures it:\n{columns(table.columns, table.rows)}\n"
    )
    odds = done.get("odds")
    if odds:
        said += (
            f"Thinnest reading {odds['thinnest_mm']:.1f} mm; nine castings in ten should have at "
            f"least {odds['nine_in_ten_mm']:.1f} mm at the thinnest.\n"
        )
    return said


def summary(last: Snapshot, plan: Plan, waited_s: float = 0.0) -> dict[str, Any]:
    """Return the demo's summary as one document.

    waited_s: time on the rig's clock in which the operator only waited for the solver that computes
    the casting.
    """
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
            # None: the board kept its last speed by itself for a while, so no count was expected.
            "steps_exact": None
            if coat.steps_expected is None
            else coat.steps_counted == coat.steps_expected,
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
        "elapsed_min": (last.now_s - (last.started_s or 0.0) - waited_s) / 60.0,
    }
