"""Seventy-two simulated hours of one controller, casting after casting, with a panel listening:
only the record grows. Writes the result into web/guide/soak.md."""

from __future__ import annotations

import asyncio
import gc
import os
import sys
import tempfile
import threading
import tracemalloc
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from evenwall.simulation.scripted_operator import Habits
from evenwall_bridge.clock import run_virtual
from tests.faults.light import light
from tests.faults.simulation import STATE_PERIOD_S, plans
from tests.soak.page import write_part
from tests.support.orders import command
from tests.support.virtual_shop import Shop, open_shop

HOURS = 72.0
EVERY_H = 12.0
# What is kept of a run by key or line is bounded and full after the first hours; what goes on
# being kept of each of some hundred castings would be more than this.
GROWTH_KB = 300.0


@dataclass(frozen=True)
class Weighed:
    """Resources that the process holds at one time."""

    hours: float
    castings: int
    python_kB: float
    files: int
    threads: int
    tasks: int
    record_MB: float

    @classmethod
    def now(cls, hours: float, castings: int, record: Path) -> Weighed:
        gc.collect()
        return cls(
            hours,
            castings,
            tracemalloc.get_traced_memory()[0] / 1e3,
            len(os.listdir("/proc/self/fd")),
            threading.active_count(),
            len(asyncio.all_tasks()),
            sum(part.stat().st_size for part in record.parent.iterdir()) / 1e6,
        )

    def row(self) -> str:
        return (
            f"| {self.hours:.0f} | {self.castings} | {self.python_kB:.0f} | {self.files} "
            f"| {self.threads} | {self.tasks} | {self.record_MB:.1f} |"
        )


async def listen(shop: Shop) -> None:
    async for _ in shop.service.watch(None):
        pass


async def cast(shop: Shop, number: int) -> None:
    plan = plans()[number % 3]
    await shop.service.command(command("start", f"start-{number}", plan=plan))
    await shop.operator(Habits(measures=False)).work()


async def live(record: Path) -> list[Weighed]:
    found: list[Weighed] = []
    async with open_shop(
        plans()[0],
        record=record,
        judges=light,
        state_period_s=STATE_PERIOD_S,
        tick_s=4.0,
        idle_tick_s=20.0,
        sample_s=10.0,
    ) as shop:
        listening = asyncio.create_task(listen(shop))
        castings = 0
        tracemalloc.start()
        while shop.clock.now_s() < HOURS * 3600.0:
            await cast(shop, castings)
            castings += 1
            if shop.clock.now_s() >= (len(found) + 1) * EVERY_H * 3600.0:
                found.append(Weighed.now(shop.clock.now_s() / 3600.0, castings, record))
                print(found[-1].row(), file=sys.stderr, flush=True)
        tracemalloc.stop()
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
    return found


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        found = run_virtual(live(Path(folder) / "record.sqlite"))
    lines = [
        "| hours | castings | Python's memory, kB | open files | threads | tasks | record, MB |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
        *(weighed.row() for weighed in found),
    ]
    said = "\n".join(lines)
    print(said)
    write_part("hours", said)
    first, last = found[0], found[-1]
    kept = (first.files, first.threads, first.tasks) == (last.files, last.threads, last.tasks)
    return 0 if kept and last.python_kB - first.python_kB < GROWTH_KB else 1


if __name__ == "__main__":
    sys.exit(main())
