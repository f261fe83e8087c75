"""Time, injected: the only module that may ask the machine what time it is.

`SystemClock` runs at `speed` seconds of its world per second of ours, so a demo runs faster than
real time; `VirtualTimeLoop` is an event loop in which waiting takes no time, so a test runs whole
castings at once; `ManualClock` moves only when told.
"""

from __future__ import annotations

import asyncio
import heapq
import json
import math
import selectors
import time
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T")

MONTH_S = 30 * 86_400.0

# Simulated worlds begin at one fixed civil moment so that two runs of a seed print the same.
SIMULATED_EPOCH = datetime(2026, 1, 5, 9, 0, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Anchor:
    """One moment on all clocks, from which a restarted process continues the same count.

    The machine's own count continues between two processes of one boot. Across a reboot only civil
    time is left, which may have been stepped.
    """

    at_s: float
    boot: str
    machine_s: float
    utc: str

    def to_json(self) -> str:
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> Anchor:
        """Read an anchor. Raises ValueError or TypeError if the text is not one."""
        kept = json.loads(text)
        if not isinstance(kept, dict):
            raise ValueError("no anchor")
        found = cls(**kept)
        if not all(
            isinstance(value, int | float) and math.isfinite(value) and abs(value) < 1e12
            for value in (found.at_s, found.machine_s)
        ):
            raise ValueError("an anchor's times are numbers")
        if not (isinstance(found.boot, str) and isinstance(found.utc, str)):
            raise ValueError("an anchor's boot and date are texts")
        if datetime.fromisoformat(found.utc).tzinfo is None:
            raise ValueError("an anchor's date has its zone")
        return found


def _boot() -> str:
    """Return the boot id of the machine; empty if the kernel gives none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def _machine_s() -> float:
    return time.monotonic()


class SystemClock:
    """Real time, or `speed` times it. Monotonic seconds start at 0 when the clock is made, or go
    on from `resume`, so that the rig's clock does not start again with every process."""

    def __init__(
        self,
        speed: float = 1.0,
        resume: Anchor | None = None,
        most_gone_s: float = MONTH_S,
        least_s: float = 0.0,
    ) -> None:
        """Start the clock. most_gone_s: longest time since `resume` that is believed. least_s: the
        earliest time at which the clock may start, where `resume` is lost or wrong."""
        if not speed > 0:
            raise ValueError(f"speed: {speed}, must be > 0")
        self.speed = speed
        self._boot = _boot()
        self._start_s = _machine_s()
        self._origin_s = 0.0
        self.gone_s = 0.0  # since `resume`, of our time
        self.disbelieved_s: float | None = None  # what the civil clock said instead
        if resume is not None:
            self.gone_s = self._gone_since(resume, most_gone_s)
            self._origin_s = resume.at_s + self.gone_s * speed
        self.behind_s = max(0.0, least_s - self._origin_s)  # by which `resume` was too early
        self._origin_s += self.behind_s

    def _gone_since(self, resume: Anchor, most_s: float) -> float:
        if resume.boot and resume.boot == self._boot:
            return max(0.0, self._start_s - resume.machine_s)
        # At least the time since this boot, at which the machine's own count begins (Linux).
        least_s = self._start_s if resume.boot and self._boot else 0.0
        civil_s = (datetime.now(UTC) - datetime.fromisoformat(resume.utc)).total_seconds()
        if least_s <= civil_s <= max(most_s, least_s):
            return civil_s
        self.disbelieved_s = civil_s
        return least_s

    def now_s(self) -> float:
        return self._origin_s + (_machine_s() - self._start_s) * self.speed

    def anchor(self) -> Anchor:
        machine_s = _machine_s()
        return Anchor(
            at_s=self._origin_s + (machine_s - self._start_s) * self.speed,
            boot=self._boot,
            machine_s=machine_s,
            utc=datetime.now(UTC).isoformat(),
        )

    def utc(self) -> datetime:
        if self.speed == 1.0:
            return datetime.now(UTC)
        return SIMULATED_EPOCH + timedelta(seconds=self.now_s())

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(max(0.0, duration_s) / self.speed)


def block(duration_s: float) -> None:
    """Block the calling thread in real time: for a thread that waits on hardware, never a loop."""
    time.sleep(duration_s)


class LoopClock:
    """The running event loop's own time: virtual under `VirtualTimeLoop`."""

    def __init__(self, epoch: datetime = SIMULATED_EPOCH) -> None:
        self._epoch = epoch

    def now_s(self) -> float:
        return asyncio.get_running_loop().time()

    def utc(self) -> datetime:
        return self._epoch + timedelta(seconds=self.now_s())

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(max(0.0, duration_s))


class ManualClock:
    """A clock that moves only by `advance`; sleepers wake in order of their time."""

    def __init__(self, now_s: float = 0.0, epoch: datetime = SIMULATED_EPOCH) -> None:
        self._now_s = now_s
        self._epoch = epoch
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._count = 0

    def now_s(self) -> float:
        return self._now_s

    def utc(self) -> datetime:
        return self._epoch + timedelta(seconds=self._now_s)

    async def sleep(self, duration_s: float) -> None:
        if duration_s <= 0:
            await asyncio.sleep(0)
            return
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._count += 1
        heapq.heappush(self._sleepers, (self._now_s + duration_s, self._count, future))
        await future

    async def advance(self, duration_s: float) -> None:
        """Move time, waking each sleeper at its moment and letting it run."""
        end_s = self._now_s + duration_s
        await self._let_run()
        while self._sleepers and self._sleepers[0][0] <= end_s:
            self._now_s, _, future = heapq.heappop(self._sleepers)
            if not future.done():
                future.set_result(None)
            await self._let_run()
        self._now_s = end_s
        await asyncio.sleep(0)

    @staticmethod
    async def _let_run() -> None:
        """Let ready tasks run to their next wait."""
        for _ in range(10):
            await asyncio.sleep(0)


class _JumpingSelector(selectors.DefaultSelector):
    """Selector that jumps to the loop's next timer instead of waiting for it."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0
        self.jobs = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if ready or timeout == 0:
            return ready
        if self.jobs or timeout is None:
            # Real work is under way (an executor job, a socket): hold the clock and wait for it.
            return super().select(0.05 if timeout is not None else None)
        self.now_s += max(0.0, timeout)
        return ready


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """An event loop whose time jumps to the next timer whenever nothing is left to do.

    Executor jobs hold the clock while they are in flight. Sockets and pipes work, but what comes
    through them does not hold the clock: use in-process rigs in virtual time.
    """

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)
        self._clock_resolution = 1e-9

    def time(self) -> float:
        return self._jumping.now_s

    def run_in_executor(  # type: ignore[override]
        self, executor: Executor | None, func: Callable[..., T], *args: Any
    ) -> asyncio.Future[T]:
        self._jumping.jobs += 1
        future = super().run_in_executor(executor, func, *args)

        def done(_: object) -> None:
            self._jumping.jobs -= 1

        future.add_done_callback(done)
        return future


def run_virtual(main: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine to its end in virtual time, like `asyncio.run`."""
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main)
