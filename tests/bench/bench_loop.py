"""The process that keeps a frame turning: the delay of its event loop with a plan search on the
other core, the time until its panel answers, and its memory.

It runs at real speed on the pty board, with panel, a watching phone, record and gel estimator at
work. The manual work of the casting is done at once, and the measurement begins when the estimator
has its probe.
"""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import sys
import tempfile
import urllib.request
from pathlib import Path

import numpy as np

from evenwall.cli.application import Application, Setup, open_application
from evenwall.cli.panel import open_panel
from evenwall.devices.interfaces import Press
from evenwall.model import Step
from evenwall.run.gel_monitor import SETTLE_S
from evenwall_bridge.clock import SystemClock, block
from evenwall_web.settings import Settings
from tests.faults.simulation import plans
from tests.support.orders import command

NAP_S = 0.01
MEASURE_S = float(os.environ.get("EVENWALL_MEASURE_S", "60"))


def resident_MB(pid: int | str = "self") -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def start_to_panel() -> tuple[float, float]:
    """Return the time from the command to the first page, s, and the memory of the process then,
    MB."""
    clock, port = SystemClock(), free_port()
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "evenwall.cli.main", "serve", "--data", folder]
        with subprocess.Popen(
            [*command, "--port", str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as serve:
            while True:
                try:
                    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=1.0):
                        took_s = clock.now_s()
                        break
                except OSError:
                    block(0.01)
            held_MB = resident_MB(serve.pid)
            serve.send_signal(signal.SIGTERM)
    return took_s, held_MB


async def to_the_spin(house: Application) -> None:
    """Do all the manual work, which takes no time here."""
    count = 0

    async def ask(name: str, **data: object) -> None:
        nonlocal count
        count += 1
        step_id = house.service.snapshot().step_id
        await house.service.command(command(name, f"bench-{count}", step_id=step_id, **data))

    if house.board is None:
        raise SystemExit("the bench needs a simulated rig")
    house.board.set_guard(True)
    await ask("start", plan=plans()[0])
    await ask("tick", all=True)
    while (step := house.service.snapshot().step) is not Step.SPIN:
        if step is Step.WEIGH:
            coat = house.service.snapshot().coats[0]
            await ask("weigh", part_a_g=coat.planned_part_a_g, part_b_g=coat.planned_part_b_g)
        if step in (Step.PREPARE, Step.CLOSE_UP):
            house.hand.press(Press.NEXT)
        else:
            await ask("next")
        await house.clock.sleep(0.5)


async def phone(house: Application) -> None:
    async for item in house.service.watch(None):
        item.model_dump_json()


BARE = (
    "import sys, time\n"
    "late, end = [], time.monotonic() + float(sys.argv[1])\n"
    "while time.monotonic() < end:\n"
    "    before = time.monotonic()\n"
    "    time.sleep(0.01)\n"
    "    late.append(time.monotonic() - before - 0.01)\n"
    "print(*late)"
)


def points(late_ms: np.ndarray) -> str:
    told = ", ".join(f"p{p:g} {np.percentile(late_ms, p):.2f} ms" for p in (50, 99, 99.9, 100))
    return f"{told} of {len(late_ms)} naps"


async def lateness_ms() -> tuple[np.ndarray, np.ndarray, float]:
    """Return the delays of sleeps of 10 ms while a coat turned, the same in a process that does
    nothing else, and the memory then, MB."""
    late = []
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(port=free_port())
        async with (
            open_application(Setup(spec=plans()[0].rig, data=Path(folder))) as house,
            open_panel(house.service, settings, lambda text: None),
        ):
            watching = asyncio.create_task(phone(house))
            await to_the_spin(house)
            state = house.supervisor.state
            met_s = state.coat.parts_met_s if state is not None else None
            await house.clock.sleep((met_s or 0.0) + SETTLE_S + 10.0 - house.clock.now_s())
            search = await house.service.start_plan("lantern-globe", {})
            bare = subprocess.Popen(
                [sys.executable, "-c", BARE, str(MEASURE_S)], stdout=subprocess.PIPE, text=True
            )
            clock = SystemClock()
            while clock.now_s() < MEASURE_S:
                before_s = clock.now_s()
                await clock.sleep(NAP_S)
                late.append(clock.now_s() - before_s - NAP_S)
            watching.cancel()
            if (await house.service.plan_job(search.job_id)).done:
                raise SystemExit("the plan search ended before the measure")
    said, _ = bare.communicate()
    return np.array(late) * 1e3, np.array(said.split(), float) * 1e3, resident_MB()


def main() -> None:
    took_s, held_MB = start_to_panel()
    print(
        f"from `evenwall serve` to a page of its panel: {took_s:.2f} s, "
        f"{held_MB:.0f} MB resident then"
    )
    late, bare, held_MB = asyncio.run(lateness_ms())
    print(f"loop lateness while a coat turns, a plan search beside it: {points(late)}")
    print(f"a process meanwhile that does nothing but nap: {points(bare)}")
    print(f"resident then: {held_MB:.0f} MB, this bench's own included")


if __name__ == "__main__":
    main()
