"""A whole server on loopback while a coat turns, with a hostile neighbour. Measures the delay of
the event loop, the feeding of the board, the answer to the paired phone's stop, and the memory.

`python -m tests.soak.soak_neighbour [SECONDS] [http] [https]` for a longer or shorter attack, or
for one way alone.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from time import thread_time

import numpy as np

from evenwall.cli.application import Application, Setup, open_application
from evenwall.cli.panel import open_panel, with_authority
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Mode
from evenwall_web.people import People
from evenwall_web.settings import Settings
from tests.bench.bench_loop import free_port, resident_MB, to_the_spin
from tests.faults.light import light
from tests.faults.simulation import plans

ATTACK_S, CALM_S = 60.0, 10.0
NAP_S = 0.01
STOPS = 20  # of each kind
# Promised. The loop's own part of its lateness: other processes of this machine delay it as well.
LOOP_ms, STOP_ms = 20.0, 250.0
GROWN_MB = 60.0  # buffers of the connections that are held, and the allocator's slack


@dataclass
class Measured:
    """Lateness of naps, ms: by the wall's clock, and the processor time that the loop itself used
    meanwhile; presses of stop, ms; what happened to the frame."""

    late_ms: list[float] = field(default_factory=list)
    own_ms: list[float] = field(default_factory=list)
    stop_ms: dict[str, list[float]] = field(default_factory=dict)
    collected_ms: list[float] = field(default_factory=list)  # by Python's garbage collector
    turned: bool = True
    hungry: int = 0
    stopped: bool = False
    before_MB: float = 0.0
    after_MB: float = 0.0
    attacks: dict[str, int] = field(default_factory=dict)

    def wrong(self) -> list[str]:
        """Promises that were not kept."""
        own = float(np.percentile(self.own_ms, 99.9))
        slowest = max((max(one) for one in self.stop_ms.values()), default=np.inf)
        found = {
            f"the loop's own work took {own:.1f} ms at p99.9, over {LOOP_ms}": own > LOOP_ms,
            f"a stop took {slowest:.0f} ms, over {STOP_ms:.0f}": slowest > STOP_ms,
            "the frame did not turn throughout": not self.turned,
            f"the board's queue ran dry {self.hungry} times": self.hungry > 0,
            "the frame turned on after the stop": not self.stopped,
            f"{self.after_MB - self.before_MB:.0f} MB were taken and not given back": (
                self.after_MB - self.before_MB > GROWN_MB
            ),
        }
        return [sentence for sentence, is_so in found.items() if is_so]


async def _nap(into: Measured, duration_s: float, house: Application | None = None) -> None:
    clock = SystemClock()
    end_s = clock.now_s() + duration_s
    while (before_s := clock.now_s()) < end_s:
        used_s = thread_time()
        await clock.sleep(NAP_S)
        late_s = max(0.0, clock.now_s() - before_s - NAP_S)
        into.late_ms.append(late_s * 1e3)
        into.own_ms.append(min(late_s, thread_time() - used_s) * 1e3)
        rig = None if house is None else house.supervisor.seen.rig
        if rig is not None:
            into.turned &= rig.mode is Mode.TURNING
            into.hungry += rig.queue_s <= 0.0


@contextmanager
def _collections(into: Measured) -> Iterator[None]:
    """Time each collection of garbage that this thread makes."""
    begun_s = 0.0

    def heard(phase: str, _: dict[str, int]) -> None:
        nonlocal begun_s
        if phase == "start":
            begun_s = thread_time()
        else:
            into.collected_ms.append((thread_time() - begun_s) * 1e3)

    gc.callbacks.append(heard)
    try:
        yield
    finally:
        gc.callbacks.remove(heard)


SERVICE, NEIGHBOUR = -15, 0  # niceness; the unit gives -5, on a computer that nobody else uses


def give_priority(niceness: int, pid: int | str = "self") -> None:
    """Set the niceness of a process and of its session, where this user may. Linux shares a busy
    machine between sessions first (autogroup, sched(7)), then between their processes."""
    with suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0 if pid == "self" else int(pid), niceness)
        Path(f"/proc/{pid}/autogroup").write_text(str(niceness), encoding="ascii")


async def _run(*words: str) -> asyncio.subprocess.Process:
    """Start the neighbour or the phone, each of which would have its own computer: the phone's is
    idle, so it has priority here; the neighbour gets this machine's time after the rig."""
    command = (sys.executable, "-m", "tests.support.neighbour", *words)
    made = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, start_new_session=True
    )
    give_priority(NEIGHBOUR if words[0] == "attack" else SERVICE, made.pid)
    return made


def _paired(people: People) -> tuple[str, str]:
    made = people.pair(people.invite("operate").code, "phone", "127.0.0.1")
    if made is None:
        raise SystemExit("the phone could not be paired")
    return made[0], made[1].csrf


async def measure(
    attack_s: float, calm_s: float = CALM_S, scheme: str = "http", share: float = 1.0
) -> tuple[Measured, Measured]:
    """Measure without and with the neighbour, who dials this share of all connections."""
    calm, attacked = Measured(), Measured()
    settings = Settings(port=free_port())
    with tempfile.TemporaryDirectory() as folder:
        if scheme == "https":
            settings = with_authority(settings, Path(folder) / "authority")
        async with (
            open_application(Setup(spec=plans()[2].rig, data=Path(folder)), light) as house,
            open_panel(house.service, settings, lambda text: None) as people,
        ):
            where = (scheme, str(settings.port))
            await to_the_spin(house)
            await _nap(Measured(), 3.0)
            await _nap(calm, calm_s, house)
            attacked.before_MB = resident_MB()
            flooding, phone = _paired(people), _paired(people)
            neighbour = await _run("attack", *where, str(attack_s + 60.0), *flooding, str(share))
            await _nap(Measured(), 3.0)
            with _collections(attacked):
                await _nap(attacked, attack_s, house)
            pressing = await _run("phone", *where, *phone, str(STOPS))
            said, _ = await pressing.communicate()
            attacked.stop_ms = json.loads(said or b"{}")
            rig = house.supervisor.seen.rig
            attacked.stopped = rig is not None and rig.mode is not Mode.TURNING
            neighbour.terminate()
            counted, _ = await neighbour.communicate()
            attacked.attacks = json.loads(counted)
            await _nap(Measured(), 25.0 if attack_s > 20.0 else 3.0)
            attacked.after_MB = resident_MB()
    return calm, attacked


def told(name: str, one: Measured) -> str:
    late, own = np.array(one.late_ms), np.array(one.own_ms)
    points = (50, 99, 99.9, 100)
    wall = ", ".join(f"p{p:g} {np.percentile(late, p):.1f}" for p in points)
    mine = ", ".join(f"p{p:g} {np.percentile(own, p):.1f}" for p in points)
    return f"{name}: late by {wall} ms; by its own work {mine} ms, of {len(late)} naps"


def attack(seconds: float, scheme: str) -> bool:
    """Measure, print it, and return whether every promise was kept."""
    calm, attacked = asyncio.run(measure(seconds, scheme=scheme))
    print(f"over {scheme}:")
    print(told("alone", calm))
    print(told("with the neighbour", attacked))
    for kind, times in attacked.stop_ms.items():
        presses = ", ".join(f"{ms:.0f}" for ms in times)
        print(f"stop pressed {len(times)} times on a {kind} connection: {presses} ms")
    slowest = max(attacked.collected_ms, default=0.0)
    print(f"{len(attacked.collected_ms)} collections of garbage, the longest {slowest:.1f} ms")
    done = ", ".join(f"{name} {count}" for name, count in sorted(attacked.attacks.items()))
    print(f"the neighbour's connections that ended, and its requests: {done}")
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg()[:2])
    print(f"load of this machine in the last minute and five: {load}, on {os.cpu_count()} cores")
    print(f"memory {attacked.before_MB:.0f} MB before, {attacked.after_MB:.0f} MB after")
    wrong = attacked.wrong()
    print("\n".join(wrong) or "every promise kept", flush=True)
    return not wrong


def main(words: list[str]) -> int:
    give_priority(SERVICE)
    seconds = [float(word) for word in words if not word.startswith("http")] or [ATTACK_S]
    schemes = [word for word in words if word.startswith("http")] or ["http", "https"]
    kept = [attack(seconds[0], scheme) for scheme in schemes]
    return int(not all(kept))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
