"""Runner of the pure step: it observes, asks `step` for the actions, records them and carries them
out.

Stop and hold are carried out at once; everything else waits for the journal, for at most
`recording.PATIENCE_S`. Each part looks after one thing: board, probes, gel, record or commands.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from functools import partial

from evenwall.devices.interfaces import Inputs, Outputs, Probe
from evenwall.errors import EvenwallError, RecordError
from evenwall.model import (
    Answer,
    Command,
    Event,
    LiveWall,
    Plan,
    ProbeSpec,
    RigSpec,
    ScaleView,
    Snapshot,
    Spoken,
    Step,
    WallSummary,
)
from evenwall.model.orders import StopTurning
from evenwall.records.records import Records, set_damage_aside
from evenwall.run.board_feed import BoardFeed
from evenwall.run.command_desk import CommandDesk
from evenwall.run.curve import Curve, gel_row, sample_of
from evenwall.run.events import CoatDone, Restarted, RunEvent, Started, WeighedBack
from evenwall.run.folding import begin
from evenwall.run.gel_worker import GelWorker
from evenwall.run.laid import LaidKey, laid_key
from evenwall.run.observation import (
    Action,
    GelMonitors,
    Hold,
    Observation,
    Record,
    Reply,
    Show,
    Sound,
    Stop,
)
from evenwall.run.orders import Begin
from evenwall.run.probe_readings import ProbeReadings
from evenwall.run.recording import Recording, Watcher
from evenwall.run.recovery import LOST, Unfinished, unfinished
from evenwall.run.state import RunState
from evenwall.run.step import step
from evenwall.run.tasks import Tasks
from evenwall.run.view import snapshot
from evenwall_bridge.contract import Clock, Rig

LAG_S = 0.15  # of real time: a round trip to the board on a busy machine


class Supervisor:
    """Runs castings, one at a time. Call `start` once; it runs until `close`."""

    def __init__(
        self,
        *,
        rig: Rig,
        spec: RigSpec,
        clock: Clock,
        records: Records,
        probes: Mapping[str, tuple[ProbeSpec, Probe]],
        inputs: Inputs,
        outputs: Outputs,
        judges: GelMonitors,
        tick_s: float = 0.5,
        idle_tick_s: float | None = None,
        sample_s: float = 1.0,
        link_stale_s: float = 2.0,
        in_line: bool = False,
        speed: float = 1.0,
    ) -> None:
        """Connect the parts of a supervisor; call `start` on a running loop.

        probes: by role (resin, room, mould). tick_s: time between two looks while a coat is under
        way; idle_tick_s: at other times. link_stale_s: silence after which the board counts as
        lost. in_line: estimate the gel on the loop's own thread (virtual time), not on another.
        """
        self.spec, self.clock, self.records, self.speed = spec, clock, records, speed
        self._inputs, self._outputs = inputs, outputs
        self._tick_s, self._idle_tick_s = tick_s, tick_s if idle_tick_s is None else idle_tick_s
        self.state: RunState | None = None
        self.seen = Observation()
        self.looks = 0  # number of looks so far: a watchdog sees it rise
        self.notices: dict[str, str] = {}
        self.scale: ScaleView | None = None
        self.spoken: tuple[Spoken, ...] = ()  # newest last
        self.on_event: Callable[[Event, Plan], None] | None = None  # for a simulated twin
        self.on_laid: Callable[[], None] | None = None  # a coat is laid, or weighed back
        self.on_changed: Callable[[LaidKey], None] | None = None  # the wall is not the planned one
        self.on_look: Callable[[RunState], None] | None = None  # after every look at a run
        self.wall: tuple[LaidKey, WallSummary] | None = None  # computed again, with its key
        self.live_wall: LiveWall | None = None  # of the coat under way
        self._laid: LaidKey = ()
        self._wake = asyncio.Event()
        self._curve = Curve(sample_s)
        self.tasks = Tasks()  # if `wait` raises the error of one of them, start again
        self._desk = CommandDesk(records, self.wake)
        self._recording = Recording(records, clock, self.notices, lambda: self.state)
        self._probes = ProbeReadings(probes, clock, sample_s)
        self._board = BoardFeed(
            rig, clock, self.tasks, self.wake, grant_s=spec.grant_s, stale_s=link_stale_s
        )
        self._gel = GelWorker(
            judges,
            self._probes.spec("resin"),
            clock,
            self.tasks,
            self.wake,
            self.notices,
            in_line=in_line,
        )

    # --- life ------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Take up an unfinished run, open the rig and begin to look. Raises RecordError."""
        self._recording.mend()
        await self._recover()
        await self._board.open()
        for work in (self._tick, self._board.hear, self._board.obey, self._recording.write):
            self.tasks.spawn(work())
        self._probes.start(self.tasks)
        self.tasks.spawn(self.keep_looking())
        self._wake.set()

    async def close(self) -> None:
        """Stop looking; the frame keeps turning for the time it was granted."""
        await self.tasks.close()
        self._gel.drop()
        self._desk.close()
        self.tasks.failed.cancel()
        await self._board.rig.close()
        await self._probes.close()
        await self._recording.close()

    async def _recover(self) -> None:
        """Take up an unfinished run. If that fails, report it and leave the frame alone."""
        for _ in range(2):  # try again: damage may show only on reading
            try:
                found = await unfinished(self.records, self.clock.now_s(), self.spec.name)
                if found is not None:
                    self._take_up(found)
                return
            except RecordError as error:
                self.state = None
                self.notices["run"] = LOST.format(error=error)
                if not await set_damage_aside(self.records, error):
                    return
                self._recording.mend()

    def _take_up(self, found: Unfinished) -> None:
        self.state = found.state
        self._recording.take_up(found.rows)
        if found.notice:
            self.notices["run"] = found.notice
        try:
            for row, _ in found.rows:
                self._tell(row, found.plan)
        except EvenwallError as error:
            raise RecordError(
                f"run {self.state.run_id} cannot be followed by the simulated frame: {error}"
            ) from None
        self._gel.take_up(self.state, found.samples)
        now_s = self.clock.now_s()
        self._recording.event(self.state.run_id, now_s, Restarted(), None)

    async def _tick(self) -> None:
        while True:
            busy = self.state is not None and (
                self.state.step in (Step.SPIN, Step.PARK, Step.CLOSE_UP) or bool(self.state.moving)
            )
            await self.clock.sleep(self._tick_s if busy else self._idle_tick_s)
            self._wake.set()

    async def keep_looking(self) -> None:
        """Look whenever woken, until cancelled."""
        while True:
            await self._wake.wait()
            self._wake.clear()
            self.look()

    # --- looking ---------------------------------------------------------------------------------

    def look(self) -> None:
        """Handle one moment: observe, step, record, act."""
        now_s = self.clock.now_s()
        if (self.state is None or self.state.over) and self._desk.asked:
            self._idle(now_s)
        seen = self.seen = self._see(now_s)
        if self.state is not None:
            self._desk.asked = []
            self.state, actions = step(self.state, now_s, seen)
            self._perform(actions, self.state, now_s)
            self._sample(self.state, now_s, seen)
            key = laid_key(self.state)
            changed, self._laid = key != self._laid, key
            if changed and key and self.on_changed is not None:
                self.on_changed(key)
            if self.on_look is not None:
                self.on_look(self.state)
        if self._recording.watched:
            self._recording.publish(self.snapshot())
        self._recording.try_again()
        self.looks += 1

    def _see(self, now_s: float) -> Observation:
        board = self._board.seen(now_s)
        return Observation(
            rig=board.rig,
            rig_lost=board.lost,
            probe=self._probes.reading("resin", now_s),
            room=self._probes.reading("room", now_s),
            mould=self._probes.reading("mould", now_s),
            gel=self._gel.reading,
            commands=tuple(self._desk.asked),
            presses=self._inputs.presses(),
            parked=board.parked,
            failed=board.failed,
            rejoin=board.rejoin,
            record_trouble=self.records.trouble or "",
            notices=self.notices,
            lag_s=LAG_S * self.speed if self.speed > 1.0 else 0.0,
        )

    def _idle(self, now_s: float) -> None:
        """Handle a moment without a run, in which only a start or a stop is possible."""
        while self._desk.asked:
            command = self._desk.asked.pop(0)
            if isinstance(command.order, Begin):
                self._begin(command, command.order, now_s)
                return
            if isinstance(command.order, StopTurning):
                self._board.now(Stop())
            self._desk.resolve(command.key, Answer(accepted=False, sentence="No run is on."))

    def _begin(self, command: Command, wanted: Begin, now_s: float) -> None:
        plan, run_id = wanted.plan, wanted.run_id
        self._gel.forget()
        self._recording.begin(run_id, plan)
        started = Started(
            casting=plan.casting.name,
            resin=plan.casting.resin.name,
            coats=len(plan.coats),
            rig=self.spec.name,
            simulated=self.spec.backend == "simulated",
            replay_of=wanted.replay_of,
            close_up_s=wanted.close_up_s,
            command=command.name,
            who=command.who,
            accepted=True,
            sentence=f"{plan.casting.name}: {len(plan.coats)} coats.",
        )
        row = self._recording.event(run_id, now_s, started, command.key)
        self.state = begin(run_id, plan, now_s, started)
        self._tell(row, plan)
        answer = started.answer(row.event_id)
        self._recording.when_written(partial(self._desk.reply, command.key, answer))

    # --- doing -----------------------------------------------------------------------------------

    def _perform(self, actions: list[Action], state: RunState, now_s: float) -> None:
        """Carry out actions. now_s: time at which their records were folded into the state."""
        ids: dict[str, int] = {}
        for action in actions:
            if isinstance(action, Record):
                row = self._recording.event(state.run_id, now_s, action.event, action.key)
                if action.key is not None:
                    ids[action.key] = row.event_id
                self._gel.follow(action.event, state)
                if isinstance(action.event, CoatDone | WeighedBack) and self.on_laid is not None:
                    self.on_laid()
                self._tell(row, state.plan)
            elif isinstance(action, Reply):
                answer = action.answer.model_copy(update={"event_id": ids[action.key]})
                self._recording.when_written(partial(self._desk.reply, action.key, answer))
            elif isinstance(action, Show):
                self._outputs.show(action.light)
            elif isinstance(action, Sound):
                self._outputs.sound(action.repeats)
            elif isinstance(action, Stop | Hold):
                self._board.now(action)
            else:
                give = partial(self._board.give, action, self._board.era)
                self._recording.when_written(give)

    def _tell(self, row: Event, plan: Plan) -> None:
        if self.on_event is not None:
            self.on_event(row, plan)

    def _sample(self, state: RunState, now_s: float, seen: Observation) -> None:
        """Write one row of the curve, while there is a coat to follow."""
        if not self._curve.due(state, now_s):
            return
        self._recording.sample(state.run_id, now_s, sample_of(state, now_s, seen))
        row = gel_row(state, now_s, seen)
        if row is not None:
            self._gel.row(row)

    # --- port for the service (`service.port.RunPort`) -------------------------------------------

    def snapshot(self) -> Snapshot:
        """Return all that a screen shows now."""
        return snapshot(
            self.state,
            self.clock.now_s(),
            self.clock.utc().isoformat(),
            self.seen,
            simulated=self.spec.backend == "simulated",
            speed=self.speed,
            rig_name=self.spec.name,
            record=tuple(self._recording.lines),
            last_event_id=self._recording.last_id,
            scale=self.scale,
            spoken=self.spoken,
            wall=self.wall,
            live_wall=self.live_wall,
        )

    @property
    def last_id(self) -> int:
        """Number of the newest row of the record."""
        return self._recording.last_id

    def watcher(self) -> AbstractContextManager[Watcher]:
        """Yield a queue of everything published while the context lasts."""
        return self._recording.watcher()

    async def command(self, command: Command) -> Answer:
        """Submit a command and return its answer, once recorded or once the disk is given up."""
        return await self._desk.command(command)

    def write_event(self, run_id: str, event: RunEvent, key: str | None) -> Event:
        """Put an event into the record of any run now, and return its row."""
        return self._recording.event(run_id, self.clock.now_s(), event, key)

    def wake(self) -> None:
        """Look now, because an input has changed."""
        self._wake.set()
