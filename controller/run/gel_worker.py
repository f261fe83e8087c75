"""Gel monitor of the running coat, run outside the event loop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, MutableMapping

from evenwall.errors import EvenwallError
from evenwall.model import ProbeSpec, Sample, Step
from evenwall.run import replanning
from evenwall.run.alerts import mix_refused
from evenwall.run.events import (
    Abandoned,
    CoatDone,
    MixedAgain,
    PartsMet,
    Poured,
    RunEvent,
    Stepped,
    StepTakenBack,
    Touched,
    TouchTakenBack,
)
from evenwall.run.observation import GelMonitor, GelMonitors, GelReading, GelRow
from evenwall.run.state import RunState
from evenwall.run.tasks import Tasks
from evenwall_bridge.contract import Clock

NOTICE = "gel"


class GelWorker:
    """Makes a monitor for each coat, feeds it, and keeps its newest reading.

    One reading is computed at a time. It is dropped if its coat has ended meanwhile.
    """

    def __init__(
        self,
        monitors: GelMonitors,
        probe: ProbeSpec,
        clock: Clock,
        tasks: Tasks,
        wake: Callable[[], None],
        notices: MutableMapping[str, str],
        *,
        in_line: bool,
    ) -> None:
        """Set up the worker.

        in_line: compute on the loop's own thread (virtual time) instead of another.
        """
        self._monitors, self._probe, self._clock = monitors, probe, clock
        self._tasks, self._wake, self._notices = tasks, wake, notices
        self._in_line = in_line
        self.reading = GelReading()
        self._monitor: GelMonitor | None = None
        self._era = 0  # every coat begins a new one; readings of an older one are dropped
        self._thinking: asyncio.Task[None] | None = None
        self._unfed: list[GelRow] = []
        self._rows: list[GelRow] = []  # of the coat

    def forget(self) -> None:
        """Drop the monitor, its reading and the coat's rows."""
        self.drop()
        self._unfed, self._rows, self.reading = [], [], GelReading()

    def take_up(self, state: RunState, samples: Iterable[Sample]) -> None:
        """Feed a new monitor all probe readings of the running coat so far."""
        met_s = state.coat.parts_met_s
        if met_s is None:
            return
        self._rows = [
            (s.at_s - met_s, s.probe_degC, s.room_degC) for s in samples if s.at_s >= met_s
        ]
        self._unfed = list(self._rows)
        self._begin(state)

    def follow(self, event: RunEvent, state: RunState) -> None:
        """Keep the monitor in step with the running coat."""
        weighing = isinstance(event, Stepped) and event.step is Step.WEIGH
        if weighing or isinstance(event, PartsMet | MixedAgain):
            self.forget()
            self._notices.pop(NOTICE, None)
            self._notices.pop(replanning.NOTICE, None)  # too late: this coat is laid as planned
        elif isinstance(event, CoatDone | Abandoned):
            self.drop()
            self._notices.pop(replanning.NOTICE, None)
        elif isinstance(event, Poured):
            self._begin(state)
        elif isinstance(event, Touched) and self._monitor is not None:
            what, time_s = event.what, state.coat_time_s(self._clock.now_s())
            monitor = self._monitor
            if time_s is not None:
                self._think(lambda: (monitor, monitor.touched(what, time_s)))
        elif isinstance(event, TouchTakenBack | StepTakenBack):
            if self._monitor is not None:
                self._monitor.forget()
            self.drop()
            self._unfed, self.reading = list(self._rows), GelReading()
            self._begin(state)

    def row(self, row: GelRow) -> None:
        """Take a row of the coat's curve, and feed it unless the monitor is still computing."""
        self._rows.append(row)
        self._unfed.append(row)
        monitor = self._monitor
        if monitor is None or (self._thinking is not None and not self._thinking.done()):
            return
        rows, self._unfed = self._unfed, []
        self._think(lambda: (monitor, monitor.feed(rows)))

    def drop(self) -> None:
        """Drop the monitor, because its coat is over. If it is computing, it ends afterwards."""
        self._era += 1
        monitor, self._monitor = self._monitor, None
        if monitor is None:
            return
        if self._thinking is None or self._thinking.done():
            monitor.end()
        else:
            self._thinking.add_done_callback(lambda _: monitor.end())

    def _begin(self, state: RunState) -> None:
        """Make a monitor for the coat just poured, and feed it the coat's rows so far."""
        if state.coat.gel_called_s is not None:
            return
        met_s, poured_s = state.coat.parts_met_s, state.coat.poured_s
        if met_s is None or poured_s is None:
            return
        if mix_refused(state):
            self._notices[NOTICE] = (
                "The parts are off their ratio: the gel cannot be predicted. Touch the coat, and "
                "report when it has gelled."
            )
            return
        plan, coat = state.plan, state.coat_plan
        self.reading = GelReading(at_s=self._clock.now_s() - met_s)
        touches = [(what, at_s - met_s) for what, at_s in state.coat.touches]
        rows, self._unfed = self._unfed, []

        def work() -> tuple[GelMonitor, GelReading]:
            monitor = self._monitors(plan, coat, self._probe, poured_s - met_s)
            reading = monitor.feed(rows)
            for what, time_s in touches:
                reading = monitor.touched(what, time_s)
            return monitor, reading

        self._think(work)

    def _think(self, work: Callable[[], tuple[GelMonitor, GelReading]]) -> None:
        before, era = self._thinking, self._era

        async def job() -> None:
            if before is not None:
                await asyncio.wait({before})
            if era != self._era:
                return
            try:
                monitor, reading = await asyncio.get_running_loop().run_in_executor(None, work)
            except EvenwallError as error:
                self._cannot(era, error)
            else:
                self._heard(era, monitor, reading)
            self._wake()

        if not self._in_line:
            self._thinking = self._tasks.spawn(job())
            return
        try:
            self._heard(era, *work())
        except EvenwallError as error:
            self._cannot(era, error)

    def _heard(self, era: int, monitor: GelMonitor, reading: GelReading) -> None:
        if era == self._era:
            self._monitor, self.reading = monitor, reading
        else:
            monitor.end()

    def _cannot(self, era: int, error: EvenwallError) -> None:
        if era == self._era:
            self.drop()
            self.reading = GelReading()
            told = (
                f"The gel cannot be predicted ({error}): touch the cup, and report when it has "
                f"gelled."
            )
            self._notices[NOTICE] = told
