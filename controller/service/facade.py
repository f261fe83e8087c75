"""The one facade that the web and the command line see: now, commands, plans, the record."""

from __future__ import annotations

import asyncio
import hashlib
import itertools
import json
from collections import deque
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from evenwall.bounded import read_bytes
from evenwall.errors import EvenwallError, InputError, said_outside
from evenwall.history.comparison import compared
from evenwall.history.lessons import lessons, taught_by
from evenwall.history.proof import assessment, make_proof, proven, replayed, to_look_at
from evenwall.history.recorded import Proof, Recorded
from evenwall.history.spots import spot_spans
from evenwall.model import (
    Answer,
    Assessment,
    Casting,
    CastingCard,
    Command,
    Comparison,
    Event,
    Measured,
    Plan,
    PlanJob,
    RecordLine,
    ResinCard,
    RigSpec,
    RunCard,
    Sample,
    Snapshot,
    Step,
    StreamItem,
    parse,
    read_casting,
    read_resin,
    read_toml,
)
from evenwall.numerics.gel.memory import ResinMemory, from_data
from evenwall.records.journal import Journal, newest_rows, row_id
from evenwall.run.command_desk import unwritten
from evenwall.run.events import Answered, Proven, Started, hidden
from evenwall.run.folding import taken_up
from evenwall.run.gate import admit
from evenwall.run.gel_monitor import resin_note
from evenwall.run.replanning import (
    NOTICE,
    budget_s,
    laid,
    may_plan_again,
    rest_of,
    what_changed,
)
from evenwall.run.replay import DETAIL, replay_of
from evenwall.run.supervisor import Supervisor
from evenwall.run.view import record_line
from evenwall.service.library import Library
from evenwall.service.plan_jobs import PlanJobs, Planner
from evenwall.service.run_files import Papers, RunFiles

WallMesh = Callable[[Plan], dict[str, Any]]
MESHES_KEPT = 8
TOLD_KEPT = 16  # rows, for the listeners that are a little behind
_PAGE = 2000
PROVEN = "Proven: it cannot change any more, and can be cast again."


class Service:
    """Everything a screen may ask for or tell. Lives on the supervisor's event loop."""

    def __init__(
        self,
        supervisor: Supervisor,
        castings: Path,
        planner: Planner,
        *,
        executor: Executor | None = None,
        rough_planner: Planner | None = None,
        replanner: Planner | None = None,
        wall_mesh: WallMesh | None = None,
        memories: dict[str, ResinMemory] | None = None,
        papers: Papers | None = None,
        photos: Path | None = None,
    ) -> None:
        """castings: the folder of casting files. planner: `plan.make_plan`. executor: where plans
        are made; threads of our own by default. rough_planner: `make_plan` with a few seconds; a
        page shows its plan while the full search runs. replanner: `plan.replan`; without it a run
        keeps the plan it began with. wall_mesh: the wall of a plan in three dimensions, when the
        film is there. memories: of resins, as the gel's judges share them. papers: what draws plans
        and runs on paper. photos: the folder of photographs beside the record."""
        self.supervisor = supervisor
        self.spec: RigSpec = supervisor.spec
        self._castings, self._wall_mesh = castings, wall_mesh
        self.library = Library(castings)
        self._executor = executor or ThreadPoolExecutor(2, "plans")
        self._replanner = replanner
        self._jobs = PlanJobs(planner, rough_planner, self._executor, self._taught)
        if replanner is not None:
            supervisor.on_laid = self._laid
        self._memories = {} if memories is None else memories
        self._cards: dict[str, tuple[int, RunCard | None]] = {}  # by run, with its newest row
        # The wall for looking at has a thread of its own: it must not wait for somebody's plan.
        self._walls = ThreadPoolExecutor(1, "walls")
        self._meshes: dict[str, asyncio.Future[dict[str, Any]]] = {}
        self._job_tasks: set[asyncio.Task[None]] = set()
        self.files = RunFiles(
            papers, photos, self.library.uploads, self._read, self._plan_of, self._written
        )
        self._told: deque[tuple[object, StreamItem]] = deque(maxlen=TOLD_KEPT)
        self._run_numbers = itertools.count(1)
        self._again = supervisor.last_id  # number of the newest plan of a rest

    async def close(self) -> None:
        for task in list(self._job_tasks):
            task.cancel()
        await asyncio.gather(*self._job_tasks, return_exceptions=True)
        self._executor.shutdown(wait=False, cancel_futures=True)
        self._walls.shutdown(wait=False, cancel_futures=True)
        self.files.close()

    # --- now -------------------------------------------------------------------------------------

    def snapshot(self) -> Snapshot:
        return self.supervisor.snapshot()

    async def watch(self, after_id: int | None = None) -> AsyncIterator[StreamItem]:
        """Yield what happens, as it happens. With `after_id`, first what was missed, without a
        gap."""
        with self.supervisor.watcher() as watcher:
            last_id = after_id
            if last_id is None:
                last_id = self.supervisor.last_id
            else:
                async for item in self._missed(last_id):
                    last_id = item.item_id
                    yield item
            yield _stream_item(self.snapshot())
            while True:
                row = await watcher.items.get()
                if watcher.missed:
                    watcher.missed = False
                    async for item in self._missed(last_id):
                        last_id = item.item_id
                        yield item
                item = self._told_to_all(row)
                if not isinstance(row, Snapshot):
                    if item.item_id <= last_id:
                        continue
                    last_id = item.item_id
                yield item

    def _told_to_all(self, row: Event | Sample | Snapshot) -> StreamItem:
        """A row as it is sent, made once however many listen."""
        for known, item in self._told:
            if known is row:
                return item
        item = _stream_item(row)
        self._told.append((row, item))
        return item

    async def _missed(self, after_id: int) -> AsyncIterator[StreamItem]:
        while True:
            rows = await self.supervisor.records.items(after_id, _PAGE)
            for row in rows:
                yield _stream_item(row)
            if len(rows) < _PAGE:
                return
            after_id = row_id(rows[-1])

    def notice(self, kind: str, sentence: str | None) -> None:
        """A word from a part beside the run (a broker gone), shown until it is taken back."""
        if sentence is None:
            self.supervisor.notices.pop(kind, None)
        else:
            self.supervisor.notices[kind] = sentence

    async def command(self, command: Command) -> Answer:
        """Ask for something to be done. Idempotent by key; every answer is in words."""
        if command.name == "start":
            prepared = await self._start(command)
            if isinstance(prepared, Answer):
                return prepared
            command = prepared
        if command.name == "prove":
            return await self._prove(command)
        return await self.supervisor.command(command)

    async def _prove(self, command: Command) -> Answer:
        """Hold a measured run against its plan, and close it for ever."""
        state = self.supervisor.state
        data = dict(command.data)
        run_id = str(data.pop("run_id", ""))
        earlier = await self._read(lambda journal: journal.event_of_key(command.key))
        if earlier is not None:
            return Answer(accepted=True, sentence=PROVEN, event_id=earlier.event_id, repeated=True)
        if state is not None and not state.over:
            return Answer(accepted=False, sentence="A casting is under way: finish it first.")

        confirmed, reason = data.pop("confirmed", False), str(data.pop("reason", ""))

        def work(journal: Journal) -> tuple[Recorded, Proof, dict[str, str]]:
            run = Recorded.read(journal, run_id)
            proof = make_proof(run, found, reason)
            return run, proof, lessons(journal, run, proof)

        try:
            measured = parse(Measured, data, "prove") if data else None
            found = await self.assess(run_id, measured)
            run, proof, taught = await self._read(work)
        except EvenwallError as error:
            return Answer(accepted=False, sentence=said_outside(error))
        if confirmed is not True:
            return Answer(accepted=False, sentence=asked_to_prove(found), confirm=True)
        for name, text in taught.items():
            self.supervisor.records.keep(name, text)
        self._memories[resin_note(run.plan)] = from_data(json.loads(taught[resin_note(run.plan)]))
        row = self.supervisor.write_event(run_id, proven(proof), command.key)
        written = await self.supervisor.records.flush()
        said = " ".join((PROVEN, *proof.sentences))
        answer = Answer(accepted=True, sentence=said, event_id=row.event_id)
        return answer if written else unwritten(answer)

    async def assess(self, run_id: str, measured: Measured | None = None) -> Assessment:
        """Return a run held against its plan, as a person sees it before it is proven.

        Spots are held against the wall computed where they lie. Raises InputError when the run
        cannot be proven at all.
        """

        def work(journal: Journal) -> tuple[Recorded, Assessment]:
            run = Recorded.read(journal, run_id)
            return run, assessment(run, measured)

        run: Recorded
        found: Assessment
        run, found = await self._read(work)
        if not found.measured.spots or run.plan.wall.min_mm is None or self._wall_mesh is None:
            return found
        try:
            mesh = await self.wall_mesh(run_id)
        except EvenwallError:
            return found  # it says that the places could not be computed
        return assessment(run, measured, spot_spans(mesh or {}))

    async def _replayed(self, run_id: str) -> Plan:
        """Today's plan of a recorded run: the room and the mould as the probes read them now."""
        seen = self.supervisor.seen

        def work(journal: Journal) -> Plan:
            run = Recorded.read(journal, run_id)
            room_degC, mould_degC = seen.room_degC, seen.mould_degC
            if room_degC is None:
                room_degC = run.plan.casting.shop.temp_degC
            if mould_degC is None:
                mould_degC = room_degC
            return replayed(run, self.spec, room_degC, mould_degC)

        plan: Plan = await self._read(work)
        return plan

    async def _start(self, command: Command) -> Command | Answer:
        """Find the plan that a start means: of a job, given, or of a recorded run."""
        data = command.data
        try:
            sent = False
            if "job_id" in data:
                job = await self.plan_job(str(data["job_id"]))
                if job.plan is None or not job.done:
                    return Answer(accepted=False, sentence="The plan is not made yet.")
                plan = job.plan
            elif "run_id" in data:
                plan = await self._replayed(str(data["run_id"]))
            elif isinstance(data.get("plan"), Plan):
                plan = data["plan"]
            else:
                plan, sent = parse(Plan, data.get("plan") or {}, "plan"), True
            # On a thread: the loop that keeps a frame turning waits for no document.
            plan = await asyncio.to_thread(admit, plan, self.spec)
            if sent:
                plan = await self._named(plan)
        except EvenwallError as error:
            return Answer(accepted=False, sentence=said_outside(error))
        utc = self.supervisor.clock.utc()
        run_id = f"{utc:%Y%m%d-%H%M%S}-{next(self._run_numbers)}"
        ready = {"plan": plan, "run_id": run_id, "replay_of": data.get("run_id")}
        return command.model_copy(update={"data": ready})

    async def _named(self, plan: Plan) -> Plan:
        """A plan that was sent, without a path in it: its form is the library's of that hash, or
        none, and what it says of a proven run must be this record's. Raises InputError."""
        wanted = plan.geometry.mesh_sha256
        mesh = await asyncio.to_thread(mesh_of, self._castings, wanted)
        if DETAIL in plan.details:
            detail = replay_of(plan)
            run = await self._read(lambda journal: Recorded.read(journal, detail.run_id))
            kept = None if run.proof is None else run.proof.spin
            coats = tuple(one.proven for one in detail.coats)
            if kept is None or (kept.sha256, kept.coats) != (detail.sha256, coats):
                limit = "is not what this record has: start the replay by its run"
                raise InputError(f"details.{DETAIL}", detail.run_id, limit)
        casting = plan.casting.model_copy(update={"mesh": mesh})
        return plan.model_copy(update={"casting": casting})

    # --- plans -----------------------------------------------------------------------------------

    async def castings(self) -> list[CastingCard]:
        """The casting files that can be read, by name; what is wrong with others is told."""
        return (await self._library()).castings

    async def resins(self) -> list[ResinCard]:
        """The resin sheets beside the castings, by name; what is wrong with others is told."""
        return (await self._library()).resins

    async def _library(self) -> _Library:
        found = await asyncio.get_running_loop().run_in_executor(None, _library, self._castings)
        # Nobody can choose what is not in the list, and hear by that what is wrong with it.
        self.notice(
            "library", " ".join(f"Not in the list: {line}." for line in found.wrong) or None
        )
        return found

    async def start_plan(self, casting_id: str, overrides: Mapping[str, Any]) -> PlanJob:
        """Begin to make a plan.

        overrides: fields of the casting, as its file has them; a resin by its `resin_id`.
        """
        path = self._file("casting_id", casting_id)
        casting = read_casting(path)
        if overrides:
            data = casting.model_dump()
            for name, value in overrides.items():
                kept = data.get(name)
                if name == "mesh":
                    limit = "is a file of the library, and no request names a path"
                    raise InputError("mesh", "given", limit)
                if name == "resin":
                    data[name] = read_resin(self._file("resin", str(value)))
                elif isinstance(kept, dict) and isinstance(value, Mapping):
                    data[name] = {**kept, **value}
                else:
                    data[name] = value
            casting = parse(Casting, data, path)
        job = self._jobs.add(casting_id)
        self._spawn(self._jobs.make(job.job_id, casting, self.spec))
        return job

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._job_tasks.add(task)
        task.add_done_callback(self._job_tasks.discard)

    def _file(self, field: str, stem: str) -> Path:
        path = self._castings / f"{stem}.toml"
        if Path(stem).name != stem or not path.is_file():
            raise InputError(field, stem, "no such file in the library")
        return path

    async def _taught(self, casting: Casting) -> dict[str, Any]:
        """Return what the mould's proven castings said, as arguments of a planner."""
        taught = await self._read(lambda journal: taught_by(journal, casting.mesh))
        return {"taught": taught} if taught.castings else {}

    async def plan_job(self, job_id: str) -> PlanJob:
        """Raises InputError when there is none of that name."""
        return self._jobs.named(job_id)

    # --- between coats ---------------------------------------------------------------------------

    def _laid(self) -> None:
        """A coat is laid: plan the rest again while it rests. The pour never waits for it."""
        if may_plan_again(self.supervisor.state):
            self._again += 1
            self._spawn(self._plan_again(self._again))

    async def _plan_again(self, number: int) -> None:
        """One that is overtaken by a newer, from more that was weighed, is dropped."""
        state, replanner = self.supervisor.state, self._replanner
        if state is None or replanner is None:
            return
        seen, done = self.supervisor.seen, state.index + 1
        work = partial(
            replanner,
            state.plan,
            laid(state),
            room_degC=seen.room_degC,
            mould_degC=seen.mould_degC,
            time_budget_s=budget_s(state, self.supervisor.clock.now_s(), self.supervisor.speed),
        )
        self.notice(
            NOTICE,
            "The coats to come are being planned again, from what was weighed and seen; no need to "
            "wait.",
        )
        try:
            plan = await asyncio.get_running_loop().run_in_executor(self._executor, work)
        except EvenwallError as error:
            if number == self._again and may_plan_again(self.supervisor.state):
                self.notice(NOTICE, f"The coats to come stay as planned: {error}")
            return
        if number != self._again:
            return
        self.notice(NOTICE, None)
        rest, sentence = rest_of(plan, done), what_changed(state.plan, plan, done)
        await self.supervisor.command(
            Command(
                name="replanned",
                key=f"again-{state.run_id}-{number}",
                who="planner",
                data={"coats_done": done, "rest": rest, "sentence": sentence},
            )
        )

    # --- the record ------------------------------------------------------------------------------

    async def _read(self, work: Callable[[Journal], Any]) -> Any:
        return await self.supervisor.records.read(work)

    async def curve(
        self, run_id: str | None, after_id: int = 0, points: int = 2000
    ) -> list[Sample]:
        """The samples of a run (None: of the present one), thinned evenly to about `points`."""
        run_id = run_id or self._present()
        if run_id is None:
            return []
        found: list[Sample] = await self._read(
            lambda journal: journal.samples(run_id, after_id, points=points)
        )
        return found

    def _present(self) -> str | None:
        state = self.supervisor.state
        return None if state is None else state.run_id

    async def runs(self) -> list[RunCard]:
        """Every run of the record, newest first."""
        newest: dict[str, int] = await self._read(newest_rows)
        for run_id, last in newest.items():
            if self._cards.get(run_id, (0, None))[0] != last:
                self._cards[run_id] = (last, await self._card(run_id))
        return [card for run_id in newest if (card := self._cards[run_id][1]) is not None]

    async def _card(self, run_id: str) -> RunCard | None:
        """A run's card; one that says so where its rows cannot be read, None without any row."""
        try:
            return await self.run(run_id)
        except InputError:
            return None
        except EvenwallError as error:
            return RunCard(
                run_id=run_id,
                casting=f"(cannot be read: {said_outside(error)[:200]})",
                resin="",
                started_utc="",
                step=Step.ABANDONED,
                coats_done=0,
                coats=0,
                simulated=False,
            )

    async def run(self, run_id: str) -> RunCard:
        """Raises InputError when there is none of that name."""
        card: RunCard = await self._read(lambda journal: run_card(journal, run_id))
        return card

    async def record(self, run_id: str) -> list[RecordLine]:
        """Return a run's record, line by line, for people."""
        events = await self.events(run_id)
        return [record_line(event) for event in events if not hidden(event)]

    async def events(self, run_id: str, after_id: int = 0) -> list[Event]:
        found: list[Event] = await self._read(lambda journal: journal.events(run_id, after_id))
        return found

    async def run_plan(self, run_id: str) -> Plan:
        """The plan of a run as it stands: the rest may have been planned again."""
        plan: Plan = await self._read(
            lambda journal: taken_up(run_id, journal.plan(run_id), journal.events(run_id))[0].plan
        )
        return plan

    async def _plan_of(self, run_or_job_id: str) -> Plan:
        """Return the plan of a run, or of a job that has one. Raises InputError."""
        job = self._jobs.get(run_or_job_id)
        if job is None:
            return await self.run_plan(run_or_job_id)
        if job.plan is None:
            raise InputError("job_id", run_or_job_id, "has no plan yet")
        return job.plan

    async def _written(self, run_id: str, event: Answered, key: str) -> Answer:
        """Write an event of any run, under way or over, that has been accepted."""
        supervisor = self.supervisor
        row = supervisor.write_event(run_id, event, key)
        written = await supervisor.records.flush()
        answer = Answer(accepted=True, sentence=event.sentence, event_id=row.event_id)
        return answer if written else unwritten(answer)

    async def compare(self, run_id: str, against: str = "") -> Comparison:
        """A run against another, or a replay against the run it repeats. Raises InputError."""
        found: Comparison = await self._read(lambda journal: compared(journal, run_id, against))
        return found

    async def wall_mesh(self, run_or_job_id: str) -> dict[str, Any] | None:
        """vertices_mm (n, 3), faces (m, 3), wall_mm (n,) and, of a run, a note that says which
        wall it is; None without a film."""
        if self._wall_mesh is None:
            return None
        job = self._jobs.get(run_or_job_id)
        if job is None:
            run = await self._read(lambda journal: Recorded.read(journal, run_or_job_id))
            loop = asyncio.get_running_loop()
            plan, note = await loop.run_in_executor(self._walls, to_look_at, run)
        elif job.plan is None:
            return None
        else:
            plan, known = job.plan, job.plan.wall.min_mm is not None
            note = "Seen on a coarser mesh than the figures are from." if known else ""
        return {**await self._mesh_of(self._wall_mesh, plan), "note": note}

    async def _mesh_of(self, work: WallMesh, plan: Plan) -> dict[str, Any]:
        """The wall of a plan, computed once whoever asks, and however many do: the plan's page asks
        first, so that it is there when the casting is turned round in the middle of the job."""
        key = plan.model_dump_json()
        if key not in self._meshes:
            loop = asyncio.get_running_loop()
            self._meshes[key] = loop.run_in_executor(self._walls, work, plan)
            while len(self._meshes) > MESHES_KEPT:
                del self._meshes[next(iter(self._meshes))]
        try:
            return await asyncio.shield(self._meshes[key])
        except EvenwallError:
            self._meshes.pop(key, None)  # it may be asked for again
            raise


def asked_to_prove(found: Assessment) -> str:
    """The question before a proof, for a person who has seen the assessment."""
    against, wrong, unknown = len(found.against), len(found.troubles), len(found.missing)
    said = "Nothing measured contradicts the plan"
    if against:
        said = f"{against} thing{'s contradict' if against > 1 else ' contradicts'} the plan, and "
        said += "your reason goes into the record"
    return (
        f"{said}; {wrong} went wrong, {unknown} not known. Prove this run? It cannot be changed "
        "afterwards."
    )


@dataclass
class _Library:
    castings: list[CastingCard] = field(default_factory=list)
    resins: list[ResinCard] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)  # a line a file


def _library(folder: Path) -> _Library:
    """The folder's castings and resins. Other TOML in it is nobody's business."""
    found = _Library()
    for path in sorted(folder.glob("*.toml")):
        try:
            data = read_toml(path)
            if "mesh" in data or "resin" in data:
                casting = read_casting(path)
                card = CastingCard(
                    casting_id=path.stem,
                    name=casting.name,
                    resin=casting.resin.name,
                    wall_mm=casting.wall_mm,
                )
                found.castings.append(card)
            elif "sheet" in data:
                found.resins.append(ResinCard(resin_id=path.stem, name=read_resin(path).name))
        except InputError as error:
            found.wrong.append(str(error))
    return found


MESH_BYTES = 200_000_000


def mesh_of(castings: Path, sha256: str) -> Path:
    """The library's form with this hash; where there is none, a path at which there is no file."""
    for path in sorted(castings.glob("*.toml")):
        try:
            mesh = read_casting(path).mesh
            if hashlib.sha256(read_bytes(mesh, MESH_BYTES)).hexdigest() == sha256:
                return mesh
        except InputError:
            continue  # told with the library
    return castings / ".absent" / sha256


def run_card(journal: Journal, run_id: str) -> RunCard:
    """A run as the record's list shows it: its journal, folded. Raises InputError, RecordError."""
    events = journal.events(run_id)
    if not events:
        raise InputError("run_id", run_id, "no such run in the record")
    plan = journal.plan(run_id)
    state, _ = taken_up(run_id, plan, events)
    return RunCard(
        run_id=run_id,
        casting=plan.casting.name,
        resin=plan.casting.resin.name,
        started_utc=events[0].utc,
        ended_utc=events[-1].utc if state.over else None,
        step=state.step,
        coats_done=sum(coat.done for coat in state.coats),
        coats=len(state.coats),
        simulated=state.simulated,
        proven=any(event.kind == Proven.kind for event in events),
        rig=_rig_of(events[0]),
        replay_of=state.replay_of,
    )


def _rig_of(first: Event) -> str:
    """Name of the rig that a run was started on; empty where its first row cannot be read."""
    try:
        return Started.of(first).rig if first.kind == Started.kind else ""
    except InputError:
        return ""


def _stream_item(row: Event | Sample | Snapshot) -> StreamItem:
    if isinstance(row, Snapshot):
        return StreamItem(
            item_id=row.last_event_id, kind="snapshot", data=row.model_dump(mode="json")
        )
    kind = "event" if isinstance(row, Event) else "sample"
    return StreamItem(item_id=row_id(row), kind=kind, data=row.model_dump(mode="json"))
