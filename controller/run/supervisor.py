"""The runner under the supervisor: eyes, hands and pen for the pure step.

It looks, asks `step` what follows, writes it down, then does it. What must not wait (stop,
hold) is done at once; all else waits for the journal, but never longer than `PATIENCE_S`: a
sleeping disk must not starve the frame.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections import deque
from collections.abc import Callable, Coroutine, Iterator, Mapping
from functools import partial
from typing import Any

from evenwall.devices.interfaces import Inputs, Outputs, Probe, Reading
from evenwall.errors import EvenwallError, InputError, RecordError
from evenwall.model import (
    Answer,
    Command,
    Event,
    Plan,
    ProbeSpec,
    RecordLine,
    RigSpec,
    Sample,
    ScaleView,
    Snapshot,
    Step,
)
from evenwall.records.journal import Records, set_damage_aside
from evenwall.run import replanning as again
from evenwall.run.alerts import mix_refused
from evenwall.run.events import (
    Abandoned,
    Answered,
    CoatDone,
    MixedAgain,
    PartsMet,
    Poured,
    Restarted,
    RunEvent,
    Started,
    Stepped,
    StepTakenBack,
    Touched,
    TouchTakenBack,
    WeighedBack,
    hidden,
    read,
)
from evenwall.run.folding import begin, taken_up
from evenwall.run.gate import carries_on
from evenwall.run.observation import (
    Action,
    Enable,
    GelMonitor,
    GelMonitors,
    GelReading,
    GelRow,
    Hold,
    Observation,
    Queue,
    Record,
    Reply,
    RigAction,
    Show,
    Sound,
    Stop,
)
from evenwall.run.state import RunState
from evenwall.run.step import step
from evenwall.run.view import record_line, snapshot
from evenwall_bridge.clock import Anchor, SystemClock
from evenwall_bridge.contract import BridgeError, Clock, LinkLost, Ramp, Rig, RigState

LAG_S = 0.15  # of real time: a round trip to the board on a busy machine
PATIENCE_S = 2.0  # of the event loop, for the disk
READING_STALE_S = 15.0  # an older reading is none
LINES_SHOWN = 40
_ANSWERS_KEPT = 1000
_BURST = 512  # items a watcher may lag behind before it reads the journal instead
_AT_ONCE = ("stop_turning", "pause")  # twice does no harm, and waiting for a sleeping disk would

Published = Event | Sample | Snapshot


def unwritten(answer: Answer) -> Answer:
    """It was done, but a process that ends now takes it along: no event is promised."""
    said = f"{answer.sentence} Not in the record yet: the disk does not take it."
    return answer.model_copy(update={"sentence": said, "event_id": None})


class Watcher:
    """One listener's queue; when it overflows, the listener reads the journal instead."""

    def __init__(self) -> None:
        self.items: asyncio.Queue[Published] = asyncio.Queue()
        self.missed = False

    def put(self, item: Published) -> None:
        if self.items.qsize() >= _BURST:
            while not self.items.empty():
                self.items.get_nowait()
            self.missed = True
        self.items.put_nowait(item)


class Supervisor:
    """Runs castings, one at a time. `start` it once; it lives until `close`."""

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
        """probes: by role (resin, room, mould). tick_s: how often it looks while a coat is under
        way; idle_tick_s: at other times. link_stale_s: a board not heard for so long is lost.
        in_line: judge the gel on the loop's own thread (virtual time) instead of another."""
        self.rig, self.spec, self.clock, self.records = rig, spec, clock, records
        self.probes, self.inputs, self.outputs, self.judges = probes, inputs, outputs, judges
        self.tick_s, self.sample_s, self.link_stale_s = tick_s, sample_s, link_stale_s
        self.idle_tick_s = idle_tick_s if idle_tick_s is not None else tick_s
        self.in_line = in_line
        self.state: RunState | None = None
        self.speed = speed
        self.notices: dict[str, str] = {}
        self.scale: ScaleView | None = None
        self.on_event: Callable[[Event, Plan], None] | None = None  # for a twin
        self.on_laid: Callable[[], None] | None = None  # a coat is laid, or weighed back
        self.lines: deque[RecordLine] = deque(maxlen=LINES_SHOWN)
        self._rows: list[tuple[Event, str | None]] = []  # of the running casting
        self._answers: dict[str, Answer] = {}  # of this process, by key
        self._asked: list[Command] = []
        self._awaited: dict[str, asyncio.Future[Answer]] = {}  # answers not yet given, by key
        self._readings: dict[str, Reading] = {}
        self._wake = asyncio.Event()
        self._dirty = asyncio.Event()
        self._after_write: list[Callable[[bool], None]] = []
        self._orders: asyncio.Queue[RigAction] = asyncio.Queue()
        self._order_era = 0  # every stop or hold begins a new one; orders of an older one are void
        self._order: asyncio.Task[None] | None = None
        self._parked = ""
        self._failed = ""
        self._rejoin = False
        self._link_error = ""
        self._was_lost = False
        self._lost_s = -math.inf  # when an order last found the link gone
        self._judge: GelMonitor | None = None
        self._judged = GelReading()
        self._judge_era = 0  # every coat begins a new one; thoughts of an older one are void
        self._judging: asyncio.Task[None] | None = None
        self._coat_rows: list[GelRow] = []  # not yet fed
        self._all_rows: list[GelRow] = []  # of the coat
        self._sampled_s = -math.inf
        self.seen = Observation()
        self.looks = 0  # how often it has looked; who watches over it sees that it still does
        self._tasks: set[asyncio.Task[None]] = set()
        self._watchers: set[Watcher] = set()
        self._move_told: str | None = None
        self.last_id = 0
        self._broken: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    # --- life ------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Take up an unfinished run, open the rig, begin to look. Raises RecordError."""
        self._mend()
        await self._recover()
        self._rejoin = True
        await self._open_rig()
        for work in (self._tick_task, self._link_task, self._order_task, self._write_task):
            self._spawn(work())
        for role, (_, probe) in self.probes.items():
            self._spawn(self._probe_task(role, probe))
        self._spawn(self._look_task())
        self._wake.set()

    async def wait(self) -> None:
        """For as long as it lives. Raises what a task of it ended with: the process had better be
        started anew, the frame turns on meanwhile."""
        await asyncio.shield(self._broken)

    async def close(self) -> None:
        """Stop looking; the frame turns on for the time it was granted."""
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._drop_judge()
        for future in self._awaited.values():
            future.set_exception(RecordError("closing: ask again, with the same key"))
            future.exception()  # nobody may be waiting
        self._broken.cancel()
        await self.rig.close()
        for _, probe in self.probes.values():
            await probe.close()
        await self.records.flush(self._anchor())
        await self.records.close()

    def _spawn(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        task: asyncio.Task[None] = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        error = None if task.cancelled() else task.exception()
        if error is not None and not self._broken.done():
            self._broken.set_exception(error)

    async def _recover(self) -> None:
        """Fold the journal of an unfinished run; its judge is fed again what the probe said."""
        for _ in range(2):  # once more where the damage showed only when it was read
            try:
                await self._take_up()
                return
            except RecordError as error:
                self.state = None
                self.notices["run"] = (
                    f"The last casting cannot be taken up ({error}). Its rows stay in the record. "
                    "If the frame turns, it keeps its speed for the time it was granted; stop it "
                    "when the coat holds."
                )
                if not await set_damage_aside(self.records, error):
                    return
                self._mend()

    async def _take_up(self) -> None:
        """Fold the unfinished run. Raises RecordError where its plan or all its rows are lost."""
        run_id = await self.records.read(lambda journal: journal.unfinished())
        if run_id is None:
            return
        plan = await self.records.read(lambda journal: journal.plan(run_id))
        rows = await self.records.read(lambda journal: journal.keyed_events(run_id))
        state, left_out = taken_up(run_id, plan, (event for event, _ in rows))
        carries_on(state, self.clock.now_s(), self.spec.name)
        rows = [(event, key) for event, key in rows if event.event_id not in left_out]
        self._rows, self.state = rows, state
        self.last_id = rows[-1][0].event_id
        wrong = {f"event {number}": why for number, why in left_out.items()}
        wrong |= self.records.journal.unread
        if wrong:
            named = "; ".join(f"{row} ({why})" for row, why in list(wrong.items())[:3])
            more = f" and {len(wrong) - 3} more" if len(wrong) > 3 else ""
            self.notices["run"] = (
                f"Some rows of this casting cannot be read and are left out: {named}{more}. "
                "It goes on where the board is; look at the step, the coat and the weights."
            )
        for event, _ in rows:
            self._show_line(event)
        try:
            for event, _ in rows:
                self._tell(event, plan)
        except EvenwallError as error:
            raise RecordError(
                f"run {run_id} cannot be followed by the simulated frame: {error}"
            ) from None
        met_s = self.state.coat.parts_met_s
        samples = await self.records.read(lambda journal: journal.samples(run_id))
        if met_s is not None:
            self._coat_rows = [
                (s.at_s - met_s, s.probe_degC, s.room_degC) for s in samples if s.at_s >= met_s
            ]
            self._all_rows = list(self._coat_rows)
            self._begin_judging()
        self._record(Restarted(), self.clock.now_s())

    # --- tasks -----------------------------------------------------------------------------------

    async def _tick_task(self) -> None:
        while True:
            busy = self.state is not None and (
                self.state.step in (Step.SPIN, Step.PARK, Step.CLOSE_UP) or bool(self.state.moving)
            )
            await self.clock.sleep(self.tick_s if busy else self.idle_tick_s)
            self._wake.set()

    async def _open_rig(self) -> bool:
        try:
            await self.rig.open()
        except BridgeError as error:
            self._link_error = str(error)
            return False
        self._link_error = ""
        return True

    async def _link_task(self) -> None:
        """Hear the board: wake at once when its guard, mode or faults change."""
        while self._link_error:
            await self.clock.sleep(self.link_stale_s)
            await self._open_rig()
        last: tuple[Any, ...] = ()
        async for row in self.rig.states():
            mark = (row.guard_closed, row.mode, row.faults)
            if mark != last:
                last = mark
                self._wake.set()

    async def _probe_task(self, role: str, probe: Probe) -> None:
        while True:
            self._readings[role] = await probe.read()
            await self.clock.sleep(self.sample_s)

    async def _look_task(self) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            self.look()

    async def _order_task(self) -> None:
        """One order to the board at a time, in order."""
        while True:
            action = await self._orders.get()
            self._order = asyncio.get_running_loop().create_task(self._do(action))
            await asyncio.wait({self._order})

    async def _write_task(self) -> None:
        """Write when there is something; let go what waited for it, in time in any case."""
        job: asyncio.Task[bool] | None = None
        while True:
            await self._dirty.wait()
            self._dirty.clear()
            due, self._after_write = self._after_write, []
            if job is not None:  # an earlier one, without these rows, on a disk that sleeps
                await asyncio.wait({job}, timeout=PATIENCE_S)
            written = False
            if job is None or job.done():
                job = asyncio.get_running_loop().create_task(self.records.flush(self._anchor()))
                job.add_done_callback(lambda _: self._dirty.set() if self._after_write else None)
                await asyncio.wait({job}, timeout=PATIENCE_S)
                written = job.done() and job.result()
            whole = self._mend()
            for release in due:
                release(written and whole)

    def _mend(self) -> bool:
        """A record that has moved to another file gets the running casting whole. False: it has
        not got it yet, and what was written there means nothing by itself."""
        moved = self.records.moved
        if moved is None or moved == self._move_told:
            return True
        self._move_told = self.notices["record"] = moved
        if self.state is None:
            return True
        self.records.rewrite((self.state.run_id, self.state.plan), self._rows)
        self._dirty.set()
        return False

    # --- looking ---------------------------------------------------------------------------------

    def look(self) -> None:
        """One moment: see, think, write, act."""
        now_s = self.clock.now_s()
        if (self.state is None or self.state.over) and self._asked:
            self._idle(now_s)
        seen = self.seen = self._see(now_s)
        if self.state is not None:
            self._asked = []
            self.state, actions = step(self.state, now_s, seen)
            self._perform(actions, self.state.plan, now_s)
            self._sample(now_s, seen)
        if self._watchers:
            self._publish(self.snapshot())
        if self.records.trouble is not None:
            self._dirty.set()
        self.looks += 1

    def _see(self, now_s: float) -> Observation:
        rig = self._rig_state()
        lost = self._link_error
        if rig is not None:
            silent = now_s - rig.at_s > self.link_stale_s or rig.at_s <= self._lost_s
            lost = f"not heard since {rig.at_s:.0f} s" if silent else ""
        if self._was_lost and not lost:
            self._rejoin = True
        self._was_lost = bool(lost)
        rejoin = self._rejoin and not lost
        if rejoin:
            self._rejoin = False
        parked, self._parked = self._parked, ""
        failed, self._failed = self._failed, ""
        return Observation(
            rig=rig,
            rig_lost=lost,
            probe=self._reading("resin", now_s),
            room=self._reading("room", now_s),
            mould=self._reading("mould", now_s),
            gel=self._judged,
            commands=tuple(self._asked),
            presses=self.inputs.presses(),
            parked=parked,
            failed=failed,
            rejoin=rejoin,
            record_trouble=self.records.trouble or "",
            notices=self.notices,
            lag_s=LAG_S * self.speed if self.speed > 1.0 else 0.0,
        )

    def _rig_state(self) -> RigState | None:
        try:
            return self.rig.state
        except LinkLost:
            return None

    def _reading(self, role: str, now_s: float) -> Reading | None:
        reading = self._readings.get(role)
        if reading is None and role not in self.probes:
            return None
        if reading is None or now_s - reading.at_s > READING_STALE_S + self.sample_s:
            return Reading(now_s, None, "probe_lost")
        return reading

    def _idle(self, now_s: float) -> None:
        """Without a run only a start, or a stop, means anything."""
        while self._asked:
            command = self._asked.pop(0)
            if command.name == "start":
                self._begin(command, now_s)
                return
            if command.name == "stop_turning":
                self._order_now(Stop())
            self._resolve(command.key, Answer(accepted=False, sentence="No run is on."))

    def _begin(self, command: Command, now_s: float) -> None:
        plan: Plan = command.data["plan"]
        run_id = command.data["run_id"]
        self._drop_judge()
        self._rows, self._judged = [], GelReading()
        self._coat_rows, self._all_rows = [], []
        self.lines.clear()
        self.records.plan(run_id, plan)
        sentence = f"{plan.casting.name}: {len(plan.coats)} coats."
        started = Started(
            casting=plan.casting.name,
            resin=plan.casting.resin.name,
            coats=len(plan.coats),
            rig=self.spec.name,
            simulated=self.spec.backend == "simulated",
            replay_of=command.data.get("replay_of"),
            command=command.name,
            who=command.who,
            accepted=True,
            sentence=sentence,
        )
        row = self.write_event(run_id, now_s, started, command.key)
        self.state = begin(run_id, plan, now_s, started)
        self._tell(row, plan)
        answer = started.answer(row.event_id)
        self._when_written(partial(self._reply, command.key, answer))

    # --- doing -----------------------------------------------------------------------------------

    def _perform(self, actions: list[Action], plan: Plan, now_s: float) -> None:
        """now_s: the moment at which the state took in what is recorded here."""
        ids: dict[str, int] = {}
        for action in actions:
            if isinstance(action, Record):
                row = self._record(action.event, now_s, action.key)
                if action.key is not None:
                    ids[action.key] = row.event_id
                self._follow(action.event)
                self._tell(row, plan)
            elif isinstance(action, Reply):
                answer = action.answer.model_copy(update={"event_id": ids[action.key]})
                self._when_written(partial(self._reply, action.key, answer))
            elif isinstance(action, Show):
                self.outputs.show(action.light)
            elif isinstance(action, Sound):
                self.outputs.sound(action.repeats)
            elif isinstance(action, Stop | Hold):
                self._order_now(action)
            else:
                self._when_written(partial(self._give, action, self._order_era))

    def _record(self, event: RunEvent, at_s: float, key: str | None = None) -> Event:
        run_id = self.state.run_id if self.state is not None else ""
        return self.write_event(run_id, at_s, event, key)

    def write_event(self, run_id: str, at_s: float, event: RunEvent, key: str | None) -> Event:
        """Put an event into the record of a run, and return its row."""
        utc = self.clock.utc().isoformat()
        row = self.records.event(run_id, at_s, utc, event.kind, event.data(), key)
        self._rows.append((row, key))
        self.last_id = row.event_id
        self._show_line(row)
        self._publish(row)
        self._dirty.set()
        return row

    def _tell(self, event: Event, plan: Plan) -> None:
        if self.on_event is not None:
            self.on_event(event, plan)

    def _show_line(self, event: Event) -> None:
        if not hidden(event):
            self.lines.append(record_line(event))

    def _when_written(self, release: Callable[[bool], None]) -> None:
        """release: called with whether it was written, or the disk has been given up on."""
        self._after_write.append(release)
        self._dirty.set()

    def _reply(self, key: str, answer: Answer, written: bool) -> None:
        self._resolve(key, answer if written else unwritten(answer))

    def _resolve(self, key: str, answer: Answer) -> None:
        self._answers[key] = answer
        while len(self._answers) > _ANSWERS_KEPT:
            del self._answers[next(iter(self._answers))]
        future = self._awaited.pop(key, None)
        if future is not None and not future.done():
            future.set_result(answer)

    def _give(self, action: RigAction, era: int, written: bool) -> None:
        del written  # the frame is fed in any case
        if era == self._order_era:
            self._orders.put_nowait(action)

    def _void_orders(self) -> None:
        self._order_era += 1
        while not self._orders.empty():
            self._orders.get_nowait()

    def _order_now(self, action: Stop | Hold) -> None:
        """Stop and hold overtake everything, the journal included, and void what waits."""
        self._void_orders()
        if self._order is not None:
            self._order.cancel()
        self._spawn(self._do(action))

    async def _do(self, action: RigAction) -> None:
        try:
            if isinstance(action, Enable):
                await self.rig.enable(self.spec.grant_s)
            elif isinstance(action, Queue):
                await self.rig.queue([Ramp(*ramp) for ramp in action.ramps])
            elif isinstance(action, Hold):
                await self.rig.hold()
            elif isinstance(action, Stop):
                await self.rig.stop()
            else:
                await self.rig.park(action.major_deg, action.minor_deg)
                self._parked = action.to
        except LinkLost:
            # Lost until a newer row comes; then the board itself is asked what it took in.
            self._lost_s = self.clock.now_s()
            self._void_orders()
        except BridgeError as error:
            self._failed = f"{type(action).__name__.lower()}: {error}"
            self._void_orders()
        self._wake.set()

    # --- the gel ---------------------------------------------------------------------------------

    def _follow(self, event: RunEvent) -> None:
        """Keep the judge on the running coat."""
        if self.state is None:
            return
        weighing = isinstance(event, Stepped) and event.step is Step.WEIGH
        if weighing or isinstance(event, PartsMet | MixedAgain):
            self._drop_judge()
            self._coat_rows, self._all_rows, self._judged = [], [], GelReading()
            self.notices.pop("gel", None)
            self.notices.pop(again.NOTICE, None)  # too late: this coat is laid as planned before
        elif isinstance(event, CoatDone | Abandoned):
            self._drop_judge()
            self.notices.pop(again.NOTICE, None)
        elif isinstance(event, Poured):
            self._begin_judging()
        elif isinstance(event, Touched) and self._judge is not None:
            what, time_s = event.what, self.state.coat_time_s(self.clock.now_s())
            judge = self._judge
            if time_s is not None:
                self._think(lambda: (judge, judge.touched(what, time_s)))
        elif isinstance(event, TouchTakenBack | StepTakenBack):
            if self._judge is not None:
                self._judge.forget()
            self._drop_judge()
            self._coat_rows, self._judged = list(self._all_rows), GelReading()
            self._begin_judging()
        if isinstance(event, CoatDone | WeighedBack) and self.on_laid is not None:
            self.on_laid()

    def _drop_judge(self) -> None:
        """Its coat is past; one that still thinks is ended when it has thought."""
        self._judge_era += 1
        judge, self._judge = self._judge, None
        if judge is None:
            return
        if self._judging is None or self._judging.done():
            judge.end()
        else:
            self._judging.add_done_callback(lambda _: judge.end())

    def _begin_judging(self) -> None:
        """A judge for the coat just poured, fed with what the probe has said since the mix."""
        state = self.state
        if state is None or state.coat.gel_called_s is not None:
            return
        met_s, poured_s = state.coat.parts_met_s, state.coat.poured_s
        if met_s is None or poured_s is None:
            return
        if mix_refused(state):
            self.notices["gel"] = (
                "The parts are off their ratio: no gel can be foretold. Touch the coat, and say so."
            )
            return
        probe = self.probes["resin"][0] if "resin" in self.probes else ProbeSpec()
        plan, coat = state.plan, state.coat_plan
        self._judged = GelReading(at_s=self.clock.now_s() - met_s)
        touches = [(what, at_s - met_s) for what, at_s in state.coat.touches]
        rows, self._coat_rows = self._coat_rows, []

        def work() -> tuple[GelMonitor, GelReading]:
            judge = self.judges(plan, coat, probe, poured_s - met_s)
            reading = judge.feed(rows)
            for what, time_s in touches:
                reading = judge.touched(what, time_s)
            return judge, reading

        self._think(work)

    def _think(self, work: Callable[[], tuple[GelMonitor, GelReading]]) -> None:
        """Let the judge think: beside the loop, one thought at a time. What it thinks of a coat
        that is past by then goes unheard."""
        before, era = self._judging, self._judge_era

        async def job() -> None:
            if before is not None:
                await asyncio.wait({before})
            if era != self._judge_era:
                return
            try:
                judge, reading = await asyncio.get_running_loop().run_in_executor(None, work)
            except EvenwallError as error:
                self._no_judge(era, error)
            else:
                self._heard(era, judge, reading)
            self._wake.set()

        if not self.in_line:
            self._judging = self._spawn(job())
            return
        try:
            self._heard(era, *work())
        except EvenwallError as error:
            self._no_judge(era, error)

    def _heard(self, era: int, judge: GelMonitor, reading: GelReading) -> None:
        if era == self._judge_era:
            self._judge, self._judged = judge, reading
        else:
            judge.end()

    def _no_judge(self, era: int, error: EvenwallError) -> None:
        if era == self._judge_era:
            self._drop_judge()
            self._judged = GelReading()
            told = f"The gel cannot be foreseen ({error}): touch the coat, and say so."
            self.notices["gel"] = told

    def _ask_judge(self) -> None:
        """Tell the judge the rows it has not had, unless it still thinks."""
        judge = self._judge
        if judge is None or (self._judging is not None and not self._judging.done()):
            return
        rows, self._coat_rows = self._coat_rows, []
        self._think(lambda: (judge, judge.feed(rows)))

    def _sample(self, now_s: float, seen: Observation) -> None:
        """One row of the curve, while there is a coat to follow."""
        state = self.state
        if state is None or state.over or now_s - self._sampled_s < self.sample_s * 0.9:
            return
        coat_time_s = state.coat_time_s(now_s)
        quiet = coat_time_s is None or state.coat.done
        if quiet and now_s - self._sampled_s < 10.0 * self.sample_s:
            return
        self._sampled_s = now_s
        rig = seen.rig
        sample = self.records.sample(
            state.run_id,
            {
                "at_s": now_s,
                "coat": state.index + 1,
                "coat_time_s": coat_time_s,
                "probe_degC": seen.probe_degC,
                "room_degC": seen.room_degC,
                "mould_degC": seen.mould_degC,
                "major_rpm": rig.major.rate_rpm if rig else 0.0,
                "minor_rpm": rig.minor.rate_rpm if rig else 0.0,
                "major_deg": rig.major.angle_deg if rig else 0.0,
                "minor_deg": rig.minor.angle_deg if rig else 0.0,
                "gel_best_s": seen.gel.best_s,
                "gel_low_s": seen.gel.low_s,
                "gel_high_s": seen.gel.high_s,
            },
        )
        self.last_id = sample.sample_id
        if self.records.samples_due(now_s):
            self._dirty.set()
        self._publish(sample)
        if coat_time_s is not None and state.coat.gel_called_s is None and not state.coat.done:
            # The probe's own moment: on a rising curve a late look would read as noise.
            late_s = 0.0 if seen.probe is None else now_s - seen.probe.at_s
            row = (coat_time_s - late_s, seen.probe_degC, seen.room_degC)
            self._coat_rows.append(row)
            self._all_rows.append(row)
            self._ask_judge()

    # --- showing ---------------------------------------------------------------------------------

    def snapshot(self) -> Snapshot:
        return snapshot(
            self.state,
            self.clock.now_s(),
            self.clock.utc().isoformat(),
            self.seen,
            simulated=self.spec.backend == "simulated",
            speed=self.speed,
            rig_name=self.spec.name,
            record=tuple(self.lines),
            last_event_id=self.last_id,
            scale=self.scale,
        )

    def _publish(self, item: Published) -> None:
        for watcher in self._watchers:
            watcher.put(item)

    @contextlib.contextmanager
    def watcher(self) -> Iterator[Watcher]:
        """A queue of everything published while the context lasts."""
        watcher = Watcher()
        self._watchers.add(watcher)
        try:
            yield watcher
        finally:
            self._watchers.discard(watcher)

    # --- asking ----------------------------------------------------------------------------------

    async def command(self, command: Command) -> Answer:
        """Ask; returns when the answer is in the record, or the disk has been given up on.

        A key that was seen before, in this process or an earlier one, gets its first answer.
        """
        awaited = self._awaited.get(command.key)
        if awaited is not None:
            return (await asyncio.shield(awaited)).model_copy(update={"repeated": True})
        asked: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._awaited[command.key] = asked
        earlier = self._answers.get(command.key)
        if earlier is None and command.name not in _AT_ONCE:
            earlier = await self._answer_of(command.key)
        if earlier is not None:
            self._resolve(command.key, earlier)
            return earlier.model_copy(update={"repeated": True})
        self._asked.append(command)
        self._wake.set()
        return await asyncio.shield(asked)

    async def _answer_of(self, key: str) -> Answer | None:
        try:
            row = await self.records.read(lambda journal: journal.event_of_key(key))
        except RecordError:
            # Nobody knows: better done once more than not at all, for a record that cannot be read
            # may not keep a person from the frame.
            return None
        if row is None:
            return None
        try:
            event = read(row)
        except InputError as error:
            said = f"The first answer cannot be read ({error})."
            return Answer(accepted=False, sentence=said, event_id=row.event_id)
        return event.answer(row.event_id) if isinstance(event, Answered) else None

    def wake(self) -> None:
        """Look now: an input has changed."""
        self._wake.set()

    def _anchor(self) -> Anchor | None:
        return self.clock.anchor() if isinstance(self.clock, SystemClock) else None
