"""A service without a rig: plays a believable three-coat run for the panel's tests.

It keeps the seam's names and habits (idempotent keys, step ids, one id sequence for samples and
events) and advances on a clock; a person does the manual work through commands.
"""

from __future__ import annotations

import asyncio
import itertools
import math
import tempfile
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from evenwall.errors import InputError
from evenwall.model import (
    Alert,
    Answer,
    Assessment,
    AxisView,
    Button,
    CastingCard,
    CoatView,
    Command,
    Compared,
    ComparedCoat,
    Comparison,
    Countdown,
    Event,
    Finding,
    FrameButton,
    FrameView,
    GelView,
    Measured,
    Missing,
    Plan,
    PlanJob,
    RatioLimits,
    RecordLine,
    ReplayView,
    ResinCard,
    RunCard,
    Sample,
    ScaleView,
    Snapshot,
    Spoken,
    Step,
    StreamItem,
    Trouble,
    WallSummary,
)
from evenwall.service.casting_files import cards_in
from evenwall.service.library import Library
from evenwall_bridge.contract import Clock
from tests.browser.fake_files import FakeFiles
from tests.support.orders import command
from tests.web.plans import globe_mesh

COATS = 3
GEL_s = 840.0
ROOM_degC = 21.4

# What each step waits for: seconds on the clock, or a person (None).
LENGTH_s: dict[Step, float | None] = {
    Step.PREPARE: None,
    Step.WEIGH: None,
    Step.MIX: None,
    Step.DEGAS: None,
    Step.POUR: None,
    Step.CLOSE_UP: None,
    Step.SPIN: 600.0,
    Step.PARK: 20.0,
    Step.REST: None,
    Step.CURE: None,
    Step.DEMOULD: None,
    Step.MEASURE: None,
}
COAT_STEPS = (
    Step.WEIGH,
    Step.MIX,
    Step.DEGAS,
    Step.POUR,
    Step.CLOSE_UP,
    Step.SPIN,
    Step.PARK,
    Step.REST,
)
SAYS: dict[Step, tuple[str, str, str]] = {  # sentence, why, the button
    Step.PREPARE: ("Get ready.", "Gloves and respirator on; release agent dry.", "All ready"),
    Step.WEIGH: (
        "Weigh 76.4 g of part A and 38.2 g of part B.",
        "The clock starts when the parts meet.",
        "Parts together",
    ),
    Step.MIX: ("Mix.", "Scrape the wall and the bottom of the cup.", "Mixed"),
    Step.DEGAS: ("Degas now.", "Let the foam fall twice, then let air in slowly.", "Degassed"),
    Step.POUR: ("Pour now.", "Swirl it to wet the wall while you can.", "Poured"),
    Step.CLOSE_UP: (
        "Clamp the mould and close the guard.",
        "Then press the button at the rig.",
        "Closed up",
    ),
    Step.SPIN: ("Keep turning.", "The cup is warming; the coat gels after it.", ""),
    Step.PARK: ("Gelled. Parking with the opening down.", "Drips leave the rim.", ""),
    Step.REST: (
        "Let it rest before the next coat.",
        "It takes the next pour while tacky.",
        "Next coat",
    ),
    Step.CURE: ("Leave it to cure.", "Two hours from the last gel.", "Cured"),
    Step.DEMOULD: ("Open the mould.", "Gloves on; edges are sharp.", "Out of the mould"),
    Step.MEASURE: ("Weigh and measure the casting.", "Rim and three spots.", "Measured"),
    Step.DONE: ("Done.", "The record is closed.", ""),
    Step.ABANDONED: ("Given up.", "The record says why.", ""),
}


class FakeService:
    """`clock` moves it; `tick` must be called once a second or so (see `play`)."""

    def __init__(self, clock: Clock, *, speed: float = 1.0, plan: Plan | None = None) -> None:
        self.clock, self.speed, self.plan = clock, speed, plan
        self.notices: dict[str, str] = {}
        self._folder = tempfile.TemporaryDirectory(prefix="evenwall-library-")
        self.library = Library(Path(self._folder.name))
        self.files = FakeFiles(self.library, self._known, self._photographed)
        self.step, self.coat, self.step_from_s = Step.IDLE, 0, 0.0
        self.run_id: str | None = None
        self.coats: list[CoatView] = []
        self.samples: list[Sample] = []
        self.happened: list[Event] = []
        self.ids = itertools.count(1)
        self.last_id = 0
        self.answers: dict[str, Answer] = {}
        self.commands: list[Command] = []  # commands that reached the run, without repeats
        self.paused = False
        self.guard_closed = False
        self.turning = False
        self.alerts: tuple[Alert, ...] = ()
        self.ticked: set[int] = set()
        self.drafts: dict[str, str] = {}
        self.scale: ScaleView | None = None
        self.spoken: tuple[Spoken, ...] = ()
        self.frame_button: FrameButton | None = None
        self.replay: ReplayView | None = None
        self.deg = [0.0, 0.0]
        self.watchers: set[asyncio.Queue[StreamItem]] = set()
        self.sampled_s = -1.0
        self.jobs: dict[str, PlanJob] = {}
        self.sent_ms: dict[int, float] = {}  # by sample, on the machine's clock

    # --- what is seen -----------------------------------------------------------------------

    def notice(self, kind: str, sentence: str | None) -> None:
        if sentence is None:
            self.notices.pop(kind, None)
        else:
            self.notices[kind] = sentence

    def snapshot(self) -> Snapshot:
        now_s = self.clock.now_s()
        sentence, why, label = SAYS.get(self.step, ("Choose a casting.", "", ""))
        if self.turning is False and self.step is Step.SPIN:
            sentence, why = "Standing still. The coat is still liquid.", "Close the guard."
        coat_s = self._coat_s()
        predicted = tuple(
            (t, _heat(t) - 1.5 - t / 900, _heat(t) + 1.5 + t / 900)
            for t in (float(x) for x in range(0, 1500, 30))
        )
        countdown = None
        met_s = self.coats[self.coat - 1].parts_met_s if self.coat else None
        if self.step in {Step.MIX, Step.DEGAS, Step.POUR, Step.CLOSE_UP} and met_s is not None:
            countdown = Countdown(kind="act", label="left to pour", until_s=met_s + 480)
        elif self.step is Step.SPIN and met_s is not None:
            countdown = Countdown(
                kind="act", label="until it is expected to gel", until_s=met_s + GEL_s
            )
        elif self.step is Step.REST:
            countdown = Countdown(
                kind="act", label="until the next pour", until_s=self.step_from_s + 1500
            )
        button = None
        if self.step is Step.SPIN and not self.turning:
            button = Button(
                command="resume",
                label="Turn again",
                enabled=self.guard_closed,
                why_not="" if self.guard_closed else "The guard is open.",
            )
        elif label:
            button = Button(command="next", label=label)
        more = [
            Button(command="note", label="Note"),
            Button(command="abandon", label="Give up"),
        ]
        if self.step is Step.SPIN:
            if self.turning:
                more.append(Button(command="pause", label="Pause the turning"))
            more += [
                Button(command="touch", label="The cup has gelled", data={"what": "cup"}),
                Button(command="touch", label="The coat has gelled", data={"what": "coat"}),
            ]
        spinning = self.step is Step.SPIN and self.turning
        phi, psi = (math.radians(a) for a in self.deg)
        return Snapshot(
            ratio_limits=RatioLimits(warn_percent=1.0, refuse_percent=5.0),
            now_s=now_s,
            utc=self.clock.utc().isoformat(timespec="seconds"),
            simulated=True,
            speed=self.speed,
            rig="small rig",
            run_id=self.run_id,
            casting="Lantern globe" if self.run_id else "",
            resin="Clear cast 14" if self.run_id else "",
            step=self.step,
            step_id=f"{self.coat}-{self.step}",
            coat=self.coat,
            coats=tuple(self.coats),
            sentence=sentence,
            why=why,
            countdown=countdown,
            next_button=button,
            buttons=tuple(more) if self.run_id else (),
            frame=FrameView(
                mode="turning" if spinning else "disabled",
                guard_closed=self.guard_closed,
                paused=self.paused,
                heard_s=now_s,
                major=AxisView(rate_rpm=7.9 * spinning, angle_deg=self.deg[0] % 360),
                minor=AxisView(rate_rpm=3.0 * spinning, angle_deg=self.deg[1] % 360),
                down=(
                    -math.sin(phi) * math.sin(psi),
                    -math.sin(phi) * math.cos(psi),
                    -math.cos(phi),
                ),
            ),
            probe_degC=None if coat_s is None else _heat(coat_s),
            room_degC=ROOM_degC,
            mould_degC=21.0,
            peak_limit_degC=95.0,
            gel=GelView(
                best_s=GEL_s if coat_s is not None else None,
                low_s=GEL_s - 70,
                high_s=GEL_s + 80,
                called_at_s=self.coats[self.coat - 1].gel_detected_s if self.coat else None,
                sentence="The coat is expected to gel in 4 to 6 min." if spinning else "",
                predicted=predicted if coat_s is not None else (),
            ),
            wall=WallSummary(target_mm=4.5, mean_mm=4.5, min_mm=3.9, rim_mm=4.2, rim_min_mm=3.7)
            if self.run_id
            else None,
            alerts=self.alerts,
            scale=self.scale,
            spoken=self.spoken,
            frame_button=self.frame_button,
            replay=self.replay if spinning else None,
            record=tuple(
                RecordLine(
                    event_id=e.event_id,
                    at_s=e.at_s,
                    utc=e.utc,
                    text=_text(e),
                )
                for e in self.happened[-60:]
            ),
            last_event_id=self.last_id,
            checklist=(
                "Data sheet of the resin read; gloves, eye protection, respirator on",
                "Mould clean, dry, release agent on",
                "The hard-wired stop at the rig tried",
                "Cups, sticks and vacuum pot within reach",
            )
            if self.step is Step.PREPARE
            else (),
            ticked=tuple(sorted(self.ticked)) if self.step is Step.PREPARE else (),
            drafts=dict(self.drafts),
            cautions=("Isocyanates sensitise: follow the safety data sheet.",),
        )

    def _coat_s(self) -> float | None:
        met_s = self.coats[self.coat - 1].parts_met_s if self.coat else None
        return None if met_s is None else self.clock.now_s() - met_s

    async def watch(self, after_id: int | None = None) -> AsyncIterator[StreamItem]:
        queue: asyncio.Queue[StreamItem] = asyncio.Queue()
        if after_id is not None:
            missed: list[Event | Sample] = [e for e in self.happened if e.event_id > after_id]
            missed += [s for s in self.samples if s.sample_id > after_id]
            for row in sorted(missed, key=_id_of):
                queue.put_nowait(_item(row))
        queue.put_nowait(self._snapshot_item())
        self.watchers.add(queue)
        try:
            while True:
                yield await queue.get()
        finally:
            self.watchers.discard(queue)

    def _snapshot_item(self) -> StreamItem:
        return StreamItem(
            item_id=self.last_id, kind="snapshot", data=self.snapshot().model_dump(mode="json")
        )

    def _tell(self, *items: StreamItem) -> None:
        for queue in self.watchers:
            for item in items:
                queue.put_nowait(item)

    async def curve(
        self, run_id: str | None, after_id: int = 0, points: int = 2000
    ) -> list[Sample]:
        if run_id not in {None, self.run_id, "run-0"}:
            raise InputError("run_id", run_id, "no such run")
        rows = [s for s in self.samples if s.sample_id > after_id]
        return rows[:: max(1, len(rows) // points)]

    async def castings(self) -> list[CastingCard]:
        return [
            CastingCard(casting_id="globe", name="Lantern globe", resin="Clear cast 14", wall_mm=4),
            CastingCard(casting_id="tower", name="Lighthouse", resin="Clear cast 14", wall_mm=3.5),
            *cards_in(self.library.folder).castings,
        ]

    async def resins(self) -> list[ResinCard]:
        return [
            ResinCard(resin_id="clear-14", name="Clear cast 14"),
            ResinCard(resin_id="clear-40", name="Clear cast 40"),
            *cards_in(self.library.folder).resins,
        ]

    async def start_plan(self, casting_id: str, overrides: dict[str, Any]) -> PlanJob:
        if casting_id not in {"globe", "tower"}:
            raise InputError("casting_id", casting_id, "no such casting")
        known = {"wall_mm", "coats", "shop", "mould", "resin"}
        for key in overrides.keys() - known:
            raise InputError(key, overrides[key], "no such field")
        shop_degC = dict(overrides.get("shop", {})).get("temp_degC", 21.0)
        job = PlanJob(
            job_id=f"job-{len(self.jobs) + 1}",
            casting_id=casting_id,
            casting="Lantern globe",
            wall_mm=4.5,
            shop_degC=shop_degC,
            mould_degC=dict(overrides.get("mould", {})).get("temp_degC", shop_degC),
        )
        self.jobs[job.job_id] = job
        return job

    async def plan_jobs(self) -> list[PlanJob]:
        return [job.model_copy(update={"plan": None}) for job in reversed(self.jobs.values())]

    async def end_plan(self, job_id: str, *, keep_best: bool) -> PlanJob:
        if job_id not in self.jobs or self.jobs[job_id].done:
            raise InputError("job_id", job_id, "is not being planned")
        ends = {"plan": self.plan} if keep_best else {"error": "This plan was cancelled."}
        self.jobs[job_id] = self.jobs[job_id].model_copy(update={"done": True, **ends})
        return self.jobs[job_id]

    async def plan_job(self, job_id: str) -> PlanJob:
        if job_id not in self.jobs:
            raise InputError("job_id", job_id, "no such plan")
        job = self.jobs[job_id]
        if job.done:
            return job
        fraction = min(1.0, job.fraction + 0.34)
        job = job.model_copy(
            update={
                "fraction": fraction,
                "sentence": "Trying spins on the mesh.",
                "done": fraction == 1.0,
                "plan": self.plan if fraction == 1.0 else None,
            }
        )
        self.jobs[job_id] = job
        return job

    async def runs(self) -> list[RunCard]:
        rows = [_old_run()]
        if self.run_id:
            rows.insert(0, await self.run(self.run_id))
        return rows

    async def run(self, run_id: str) -> RunCard:
        if run_id == "run-0":
            return _old_run()
        if run_id != self.run_id:
            raise InputError("run_id", run_id, "no such run")
        return RunCard(
            run_id=run_id,
            casting="Lantern globe",
            resin="Clear cast 14",
            started_utc="2026-01-05T09:00:00+00:00",
            step=self.step,
            coats_done=sum(c.done for c in self.coats),
            coats=COATS,
            simulated=True,
            rig="small rig",
        )

    async def events(self, run_id: str, after_id: int = 0) -> list[Event]:
        await self.run(run_id)
        return [e for e in self.happened if e.event_id > after_id]

    async def record(self, run_id: str) -> list[RecordLine]:
        return [
            RecordLine(event_id=e.event_id, at_s=e.at_s, utc=e.utc, text=_text(e))
            for e in await self.events(run_id)
        ]

    def _known(self, run_or_job_id: str) -> None:
        if run_or_job_id not in {"run-0", self.run_id, *self.jobs}:
            raise InputError("run_id", run_or_job_id, "no such run")

    def _photographed(self, data: dict[str, Any]) -> int:
        return self._write(data["text"], "a phone", "photographed", data).event_id

    async def run_plan(self, run_id: str) -> Plan:
        await self.run(run_id)
        if self.plan is None:
            raise InputError("run_id", run_id, "no plan on record")
        return self.plan

    async def compare(self, run_id: str, against: str = "") -> Comparison:
        await self.run(run_id)
        return Comparison(
            run_id=run_id,
            proven_run_id=against or "run-0",
            figures=(
                Compared(
                    coat=1,
                    what="flow path, spin to gel",
                    unit="1/Pa",
                    proven=1800.0,
                    this_run=1818.0,
                    difference=1.0,
                    difference_unit="%",
                ),
            ),
            coats=(
                ComparedCoat(
                    coat=1,
                    proven=((100.0, 0.0), (50.0, 20.0), (0.0, 60.0)),
                    this_run=((101.0, 0.0), (50.0, 20.1), (0.0, 60.2)),
                ),
            ),
            sentence="The film flowed the same way, within 3 %.",
        )

    async def assess(self, run_id: str, measured: Measured | None = None) -> Assessment:
        await self.run(run_id)
        told = measured or Measured()
        weight_g = told.weight_g or 274.0
        wrong = [
            Finding(
                what=spot.where,
                unit="mm",
                foreseen=4.5,
                measured=spot.wall_mm,
                low=3.6,
                high=5.4,
                contradicts=not 3.6 <= spot.wall_mm <= 5.4,
                sentence=f"{spot.where}: {spot.wall_mm:g} mm",
            )
            for spot in told.spots
        ]
        return Assessment(
            run_id=run_id,
            measured=told,
            findings=(
                Finding(
                    what="weight", unit="g", foreseen=276.0, measured=weight_g, low=262, high=290
                ),
                *wrong,
            ),
            troubles=(Trouble(kind="slip", times=2, sentence="An axis lost steps, 2 times."),),
            missing=(Missing(kind="rim", sentence="The rim was not gauged."),),
            sentences=(),
            against=tuple(one.sentence for one in wrong if one.contradicts),
        )

    async def wall_mesh(self, run_or_job_id: str) -> dict[str, Any]:
        if run_or_job_id not in {*self.jobs, self.run_id, "run-0"}:
            raise InputError("run_id", run_or_job_id, "no such run or plan")
        made = run_or_job_id not in self.jobs
        return {**globe_mesh(), "note": "As planned." if made else "", "as_turned": made}

    # --- what happens ------------------------------------------------------------------------

    async def command(self, command: Command) -> Answer:
        if command.key in self.answers:
            return self.answers[command.key].model_copy(update={"repeated": True})
        answer = self._do(command)
        self.answers[command.key] = answer
        self.commands.append(command)
        self._tell(self._snapshot_item())
        return answer

    def _do(self, command: Command) -> Answer:
        def no(sentence: str) -> Answer:
            return Answer(accepted=False, sentence=sentence)

        if command.step_id not in {None, self.snapshot().step_id}:
            return no("The run has moved on; read the sheet again.")
        name, data = command.name, command.order.model_dump(exclude_unset=True)
        if name == "start":
            if self.run_id and self.step not in {Step.DONE, Step.ABANDONED, Step.IDLE}:
                return no("A run is under way.")
            self.run_id, self.coat = "run-1", 0
            self.coats = [
                CoatView(
                    coat=n + 1,
                    planned_mm=1.5,
                    planned_mix_g=114.6,
                    planned_part_a_g=76.4,
                    planned_part_b_g=38.2,
                    gel_planned_s=GEL_s,
                )
                for n in range(COATS)
            ]
            self._enter(Step.PREPARE)
        elif name == "prove":
            if not data.get("confirmed"):
                asked = "Prove this run? It cannot be changed afterwards."
                return Answer(accepted=False, sentence=asked, confirm=True)
            return Answer(accepted=True, sentence="Proven.")
        elif self.run_id is None:
            return no("There is no run; choose a casting first.")
        elif name == "tick":
            number = data.get("index", 0)
            self.ticked = self.ticked - {number}
            if data.get("done", True):
                self.ticked = self.ticked | {number}
            return Answer(accepted=True, sentence="")
        elif name == "draft":  # of this step: an older one's was refused above
            self.drafts[data["field"]] = data.get("value", "")
            return Answer(accepted=True, sentence="")
        elif name == "weigh":
            if self.step is not Step.WEIGH:
                return no("Nothing to weigh now.")
            if abs(data["part_b_g"] / data["part_a_g"] - 0.5) > 0.05:
                return no("B is off by more than 10 %; weigh again.")
            self._coat(part_a_g=data["part_a_g"], part_b_g=data["part_b_g"])
            self.drafts.clear()
        elif name == "measure":
            if self.step is not Step.MEASURE:
                return no("Nothing to measure yet.")
        elif name == "next":
            if self.step in {Step.SPIN, Step.PARK, Step.DONE}:
                return no("That is not the next step.")
            self._advance()
        elif name in {"stop_turning", "pause"}:
            self.paused, self.turning = self.turning, False
        elif name == "resume":
            if not self.guard_closed:
                return no("The guard is open; close it first.")
            self.paused, self.turning = False, True
        elif name == "abandon":
            self._enter(Step.ABANDONED)
        text = {"note": data.get("text"), "touch": f"The {data.get('what')} has gelled"}.get(name)
        kind = {"touch": "touched", "note": "noted", "weigh": "weighed"}.get(name, "asked")
        event = self._write(text or name.replace("_", " "), command.who, kind, data)
        return Answer(accepted=True, sentence="Written down.", event_id=event.event_id)

    def begin(self) -> None:
        """Act as if a plan had been accepted."""
        if self.run_id is None:
            self._do(command("start", "begun", job_id="job-1"))
        self._tell(self._snapshot_item())

    def hand_work(self, *names: str) -> None:
        """Act as if a person had pressed these."""
        for name in names:
            more = {"reason": "enough of it"} if name == "abandon" else {}
            self._do(command(name, f"{name}-{self.last_id}", **more))
        self._tell(self._snapshot_item())

    def warn(self, alerts: tuple[Alert, ...]) -> None:
        self.alerts = alerts
        self._tell(self._snapshot_item())

    def turn(self) -> None:
        """Act as if a person had done all the manual work of the first coat."""
        self.begin()
        if self.step is not Step.PREPARE:
            self.step = Step.PREPARE
        self.hand_work("next")
        self._do(command("weigh", "w", part_a_g=76.4, part_b_g=38.2))
        self.hand_work(*["next"] * 5)

    def _coat(self, **fields: Any) -> None:
        self.coats[self.coat - 1] = self.coats[self.coat - 1].model_copy(update=fields)

    def _advance(self) -> None:
        now_s = self.clock.now_s()
        if self.step is Step.PREPARE:
            self.coat = 1
            self._enter(Step.WEIGH)
        elif self.step in COAT_STEPS:
            if self.step is Step.WEIGH:
                self._coat(parts_met_s=now_s)
            if self.step is Step.POUR:
                self._coat(poured_s=now_s)
            if self.step is Step.REST:
                if self.coat == COATS:
                    self._enter(Step.CURE)
                else:
                    self.coat += 1
                    self._enter(Step.WEIGH)
            else:
                self._enter(COAT_STEPS[COAT_STEPS.index(self.step) + 1])
        else:
            after = {
                Step.CURE: Step.DEMOULD,
                Step.DEMOULD: Step.MEASURE,
                Step.MEASURE: Step.DONE,
            }
            self._enter(after[self.step])

    def _enter(self, step: Step) -> None:
        self.step, self.step_from_s = step, self.clock.now_s()
        self.drafts = {k: v for k, v in self.drafts.items() if k == "note-text"}
        self.guard_closed = step is Step.SPIN
        self.turning, self.paused = step is Step.SPIN, False
        if step is Step.PARK:
            self._coat(gel_detected_s=self._coat_s(), done=True)
        self._write(SAYS[step][0], "run")

    def _write(
        self, text: str, who: str, kind: str = "step", data: dict[str, Any] | None = None
    ) -> Event:
        self.last_id = next(self.ids)
        event = Event(
            event_id=self.last_id,
            run_id=self.run_id or "run-1",
            at_s=self.clock.now_s(),
            utc=self.clock.utc().isoformat(timespec="seconds"),
            kind=kind,
            data={**(data or {}), "text": text, "who": who},
        )
        self.happened.append(event)
        self._tell(_item(event))
        return event

    def tick(self) -> None:
        """Move the run to the clock's time; one sample a second of its world, at most."""
        now_s = self.clock.now_s()
        length_s = LENGTH_s.get(self.step)
        if (
            length_s is not None
            and now_s - self.step_from_s >= length_s
            and self.turning is (self.step is Step.SPIN)
        ):
            self._advance()
        passed_s = min(now_s - self.sampled_s, 5.0)
        if not self.run_id or passed_s < 1.0:
            self._tell(self._snapshot_item())
            return
        self.sampled_s = now_s
        rates = (7.9, 3.0) if self.turning else (0.0, 0.0)
        self.deg = [a + 6.0 * rate * passed_s for a, rate in zip(self.deg, rates, strict=True)]
        self.sample(now_s, rates)
        self._tell(self._snapshot_item())

    def sample(self, at_s: float, rates: tuple[float, float] = (0.0, 0.0)) -> Sample:
        coat_s = self._coat_s()
        self.last_id = next(self.ids)
        row = Sample(
            sample_id=self.last_id,
            at_s=at_s,
            coat=self.coat,
            coat_time_s=coat_s,
            probe_degC=ROOM_degC if coat_s is None else round(_heat(coat_s) * 16) / 16,
            room_degC=ROOM_degC,
            mould_degC=21.0 + (1.5 if self.turning else 0.0),
            major_rpm=rates[0],
            minor_rpm=rates[1],
            major_deg=self.deg[0] % 360,
            minor_deg=self.deg[1] % 360,
            gel_best_s=GEL_s if coat_s else None,
        )
        self.samples.append(row)
        self.sent_ms[row.sample_id] = time.time() * 1000  # noqa: TID251
        self._tell(_item(row))
        return row

    async def play(self, beat_s: float = 0.25) -> None:
        """Tick every `beat_s` of real time, without end."""
        while True:
            await self.clock.sleep(beat_s * self.speed)
            self.tick()


def _id_of(row: Event | Sample) -> int:
    return row.event_id if isinstance(row, Event) else row.sample_id


def _item(row: Event | Sample) -> StreamItem:
    kind = "event" if isinstance(row, Event) else "sample"
    return StreamItem(item_id=_id_of(row), kind=kind, data=row.model_dump(mode="json"))


def _heat(coat_s: float) -> float:
    """A cup that warms slowly, then rushes through its peak near 14 min and cools."""
    rise = 52 / (1 + math.exp(-(coat_s - 780) / 70))
    return (
        ROOM_degC
        + 0.004 * coat_s * math.exp(-coat_s / 2400)
        + rise * math.exp(-max(0.0, coat_s - 820) / 1400)
    )


def _text(event: Event) -> str:
    return str(event.data.get("sentence") or event.data["text"])


def _old_run() -> RunCard:
    return RunCard(
        run_id="run-0",
        casting="Lantern globe",
        resin="Clear cast 14",
        started_utc="2026-01-04T13:10:00+00:00",
        ended_utc="2026-01-04T17:40:00+00:00",
        step=Step.DONE,
        coats_done=3,
        coats=3,
        simulated=True,
        rig="small rig",
        replay_of="run-0",  # the one run that this record knows
    )
