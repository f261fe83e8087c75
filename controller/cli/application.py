"""Composition root: the only module that chooses concrete rigs, probes and twins."""

from __future__ import annotations

import asyncio
import fcntl
import os
import random
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import AsyncExitStack, ExitStack, asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from evenwall.cli.calling import calling, channels_of
from evenwall.cli.gel_rod import RodLead
from evenwall.cli.panel import listen, open_panel
from evenwall.cli.power import clock_in_doubt, resumed
from evenwall.cli.service import service_of, simulated_hands
from evenwall.cli.speaking import speaking
from evenwall.cli.tidying import keep_tidy, tidy
from evenwall.cli.weighing import ScaleLead
from evenwall.devices.interfaces import GelRod, Inputs, NoInputs, NoOutputs, Outputs, Press, Probe
from evenwall.errors import InputError, RecordError
from evenwall.history.lessons import resin_memories
from evenwall.history.recorded import Recorded
from evenwall.model import MqttSpec, ProbeSpec, RigSpec, ScaleSpec, Step, read_rig
from evenwall.model.untrusted import set_aside
from evenwall.records.records import Records, standing
from evenwall.run.gel_monitor import EstimatorApart, Remembering
from evenwall.run.motion import frame_limits
from evenwall.run.observation import GelMonitors
from evenwall.run.supervisor import Supervisor
from evenwall.service.facade import Service
from evenwall.simulation.scripted_operator import Operator
from evenwall.simulation.twin import Twin
from evenwall.telemetry.publisher import Telemetry
from evenwall.telemetry.self_description import SelfDescription
from evenwall.units import System
from evenwall.worker_process import end_all, in_worker
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock, Mode
from evenwall_bridge.places import HARDWARE
from evenwall_bridge.serial_rig import SerialRig
from evenwall_bridge.serial_scale import SerialScale
from evenwall_bridge.sim_board import PtyBoard
from evenwall_bridge.sim_scale import PtyScale
from evenwall_web.people import People
from evenwall_web.settings import Settings

SAMPLES = Path(__file__).parents[1] / "samples"
RECORD = "record.sqlite"
OVER = (Step.IDLE, Step.DONE, Step.ABANDONED)
STANDS_AFTER_S = 60.0  # for a casting that begins to cure: the frame has come to rest
SMALL_RIG = HARDWARE / "rigs" / "small.toml"


def sample_rig(path: Path | None) -> RigSpec:
    """Read the given rig file, or the small sample rig."""
    return read_rig(path or SMALL_RIG)


def data_home() -> Path:
    """Default folder of the records (XDG Base Directory Specification 0.8)."""
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "evenwall"


@dataclass(frozen=True)
class Setup:
    """Settings of this process and its rig. speed: multiple of real time, for simulated rigs
    only."""

    spec: RigSpec
    data: Path
    castings: Path = SAMPLES
    speed: float = 1.0
    seed: int = 0
    units: System = "metric"  # of figures printed and of weights typed at the console
    plan_budget_s: float | None = None  # for a plan requested on the panel; None: full search

    @property
    def record(self) -> Path:
        return self.data / RECORD


@dataclass
class Hand:
    """Buttons pressed by a program, the scripted operator. Implements `interfaces.Inputs`."""

    behind: Inputs
    pressed: deque[Press] = field(default_factory=deque)
    # Takes a press that answers a question outside the run, and then returns True.
    catch: Callable[[Press], bool] = lambda press: False  # noqa: ARG005

    def press(self, press: Press) -> None:
        self.pressed.append(press)

    def presses(self) -> tuple[Press, ...]:
        found = (*self.pressed, *self.behind.presses())
        self.pressed.clear()
        return tuple(press for press in found if not self.catch(press))

    def close(self) -> None:
        self.behind.close()


@dataclass
class Application:
    """All parts, connected and running."""

    setup: Setup
    clock: SystemClock
    supervisor: Supervisor
    service: Service
    hand: Hand
    twin: Twin | None
    board: PtyBoard | None
    loads: PtyScale | None  # a simulated scale that takes loads
    records: Records


@contextmanager
def only_one(folder: Path) -> Iterator[None]:
    """Lock a rig, because two controllers must not hold it. Raises InputError.

    The kernel drops the lock with the process. A read-only folder does not raise, because a frame
    may be turning.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        held = folder / "in-use"
        if held.exists() and not (held.is_file() and os.access(held, os.R_OK)):
            set_aside(held)  # another user's, or a folder; the board accepts one controller
        lock = os.open(held, os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except OSError as error:
        raise InputError("data", folder, f"{error.strerror}") from None
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InputError(
                "data", folder, "another evenwall is at work here", hint="end it, or give --data"
            ) from None
        yield
    finally:
        os.close(lock)


def going_on(record: Path, speed: float) -> SystemClock:
    """Return the rig's clock, continued from the last process.

    If the record cannot be read, the clock is new: a frame that is moved by hand has no casting
    that could be disturbed.
    """
    try:
        journals = standing(record)
    except RecordError:
        return SystemClock(speed)
    try:
        return SystemClock(speed, next(filter(None, (j.anchor() for j in journals)), None))
    finally:
        for journal in journals:
            journal.close()


def _pins(spec: RigSpec, clock: SystemClock) -> tuple[Inputs, Outputs]:
    if not spec.pins:
        return NoInputs(), NoOutputs()
    from evenwall.devices.gpio import GpioInputs, GpioOutputs, real_pins

    factory = real_pins()
    return GpioInputs(spec.pins, clock, factory), GpioOutputs(spec.pins, factory)


def _probe_set(
    spec: RigSpec, clock: SystemClock, twin: Twin | None, rng: random.Random
) -> dict[str, Probe]:
    if twin is not None:
        return {probe.role: twin.probe(probe.role) for probe in spec.probes}
    from evenwall.devices.probes import open_probe

    return {probe.role: open_probe(probe, clock, rng, spec.mqtt) for probe in spec.probes}


@dataclass
class Devices:
    """Rig with its probes, buttons and lamps, before any casting runs."""

    clock: SystemClock
    rig: SerialRig
    probes: dict[str, tuple[ProbeSpec, Probe]]
    hand: Hand
    outputs: Outputs
    twin: Twin | None
    board: PtyBoard | None


@contextmanager
def open_devices(setup: Setup, clock: SystemClock) -> Iterator[Devices]:
    """Open board or simulated board, probes and pins until the block ends, but not the rig itself.

    Like a real board, a simulated one outlives a killed controller and is joined again. A
    controller that ends normally shuts it down, unless it was told to leave it turning. Raises
    InputError, BridgeError.
    """
    spec = setup.spec
    with ExitStack() as stack:
        board = twin = None
        port = spec.port
        if spec.backend == "simulated":
            board = PtyBoard(setup.speed, setup.data / "board", detached=True)
            stack.callback(board.end)
            if not board.joined:
                board.set_index("major", spec.major.steps_per_turn)
                board.set_index("minor", spec.minor.steps_per_turn)
            twin = Twin(clock, board, spec, setup.seed)
            port = board.port
        elif setup.speed != 1.0:
            raise InputError("--speed", setup.speed, "must be 1 with a real rig")
        elif not port:
            raise InputError("port", "missing", "is required for a rig on a serial port")
        inputs, outputs = _pins(spec, clock) if twin is None else (NoInputs(), NoOutputs())
        hand = Hand(inputs)
        stack.callback(hand.close)
        stack.callback(outputs.close)
        probes = _probe_set(spec, clock, twin, random.Random())
        rig = SerialRig(port, clock, frame_limits(spec), setup.speed)
        with_spec: dict[str, tuple[ProbeSpec, Probe]] = {
            probe.role: (probe, probes[probe.role]) for probe in spec.probes
        }
        yield Devices(clock, rig, with_spec, hand, outputs, twin, board)


def scale_of(spec: ScaleSpec, port: str) -> SerialScale:
    """Return the scale of a rig file, not opened yet. Raises InputError."""
    if not port:
        raise InputError("scale.port", "missing", "is required for a scale")
    return SerialScale(port, **spec.model_dump(exclude={"port"}))


@asynccontextmanager
async def _weighing(spec: RigSpec, supervisor: Supervisor) -> AsyncIterator[PtyScale | None]:
    """Show the rig's scale, if it has one, until the block ends. Raises InputError.

    A scale runs in wall time, however fast the rig's world runs.
    """
    if spec.scale is None:
        yield None
        return
    clock, loads = SystemClock(), None
    tasks = []
    if spec.backend == "simulated":
        loads = PtyScale()
        tasks.append(asyncio.create_task(loads.run(clock)))
    scale = scale_of(spec.scale, loads.port if loads is not None else spec.scale.port)

    tasks.append(asyncio.create_task(ScaleLead(supervisor, clock).follow(scale)))
    try:
        yield loads
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        if loads is not None:
            loads.unplug()


@asynccontextmanager
async def _rod_swings(
    spec: RigSpec, supervisor: Supervisor, clock: Clock, twin: Twin | None
) -> AsyncIterator[None]:
    """Run the rig's gel rod, if it has one, until the block ends. Raises InputError."""
    if spec.gel_rod is None:
        yield
        return
    rod: GelRod
    if twin is not None:
        rod = twin.gel_rod(2.0 * spec.gel_rod.follows_within_s)
    else:
        from evenwall.devices.gel_rod import GpioGelRod
        from evenwall.devices.gpio import real_pins

        rod = GpioGelRod(spec.gel_rod, spec.pins, clock, real_pins())
    lead = RodLead(supervisor, clock, rod, spec.gel_rod.every_s)
    task = asyncio.create_task(lead.follow())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        rod.close()


@asynccontextmanager
async def open_application(
    setup: Setup, judges: GelMonitors | None = None
) -> AsyncIterator[Application]:
    """Open devices, record, supervisor and service until the block ends.

    Raises as `open_devices`, and RecordError. judges: gel monitors; by default the estimator with
    the resins' earlier batches.
    """
    async with AsyncExitStack() as stack:
        stack.enter_context(only_one(setup.data))
        records = Records(setup.record)
        # The rig's clock continues from the last process, wherever the record is kept now.
        clock = resumed(records.journal, setup.spec, setup.speed)
        devices = stack.enter_context(open_devices(setup, clock))
        memories = resin_memories(records.journal)
        supervisor = Supervisor(
            rig=devices.rig,
            spec=setup.spec,
            clock=devices.clock,
            records=records,
            probes=devices.probes,
            inputs=devices.hand,
            outputs=devices.outputs,
            judges=judges or Remembering(memories, EstimatorApart()),
            tick_s=0.5 * max(1.0, setup.speed / 10.0),
            link_stale_s=max(2.0, setup.speed),
            speed=setup.speed,
        )
        if devices.twin is not None:
            supervisor.on_event = devices.twin.follow
        await supervisor.start()
        doubt = clock_in_doubt(clock)
        if doubt and supervisor.state is not None:
            supervisor.notices["clock"] = doubt
        stack.push_async_callback(supervisor.close)
        loads = await stack.enter_async_context(_weighing(setup.spec, supervisor))
        rod = _rod_swings(setup.spec, supervisor, devices.clock, devices.twin)
        await stack.enter_async_context(rod)
        service = service_of(supervisor, setup.castings, setup.plan_budget_s, memories, setup.data)
        service.simulated = simulated_hands(service, devices.hand.press, devices.board)
        stack.push_async_callback(service.close)
        stack.callback(end_all)
        service.refining.resume()
        tidy()
        tidying = asyncio.create_task(keep_tidy(SystemClock(), partial(_turns, supervisor)))
        stack.push_async_callback(_ended, tidying)
        yield Application(
            setup,
            devices.clock,
            supervisor,
            service,
            devices.hand,
            devices.twin,
            devices.board,
            loads,
            records,
        )


def _turns(supervisor: Supervisor) -> bool:
    rig = supervisor.seen.rig
    return rig is not None and rig.mode is Mode.TURNING


async def _ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def scripted_operator(application: Application, *, gauges: bool = False) -> Operator:
    """Return an operator for the manual work. Raises InputError for a real rig.

    gauges: whether the blind world computes the casting from the frame's motion and measures it.
    """
    twin, board, clock = application.twin, application.board, application.clock
    if twin is None or board is None:
        raise InputError("--scripted", "set", "a real rig needs a person")
    return Operator(
        application.service,
        clock,
        application.hand.press,
        board.set_guard,
        seed=application.setup.seed,
        touched_coat=lambda: twin.coat_gelled(clock.now_s()),
        gauge=partial(_gauge, application, twin) if gauges else None,
    )


async def _gauge(application: Application, twin: Twin, run_id: str) -> Mapping[str, Any]:
    """Cast the run in the blind world, in a separate process, and return its measurements."""
    await application.clock.sleep(STANDS_AFTER_S)
    run = await application.records.read(lambda journal: Recorded.read(journal, run_id))
    cast = partial(
        in_worker,
        "evenwall.simulation.blind.recorded",
        "cast_recorded",
        run,
        twin.coat_gels_s(),
        application.setup.seed,
    )
    found: dict[str, Any] = await asyncio.get_running_loop().run_in_executor(None, cast)
    return found


# --- Telemetry -----------------------------------------------------------------------------------


@asynccontextmanager
async def open_telemetry(application: Application) -> AsyncIterator[Telemetry | None]:
    """Publish to the broker, if the rig file names one, until the block ends."""
    if application.setup.spec.mqtt is None:
        yield None
        return
    # The broker lives in wall time, however fast the rig's world runs.
    telemetry = Telemetry(
        application.setup.spec,
        application.service,
        SystemClock(),
        application.setup.data,
        random.Random(),
    )
    jobs = [telemetry.run()]
    if application.setup.spec.mqtt.self_description:
        described = SelfDescription(
            application.setup.spec, application.service, SystemClock(), random.Random()
        )
        jobs.append(described.run())
    telling = [asyncio.create_task(job) for job in jobs]
    try:
        yield telemetry
    finally:
        for task in telling:
            task.cancel()
        await asyncio.gather(*telling, return_exceptions=True)


@asynccontextmanager
async def demo_telemetry() -> AsyncIterator[MqttSpec | None]:
    """Run a broker for the demo on a free loopback port; None if the extra is not installed."""
    if find_spec("amqtt") is None:
        yield None
        return
    from evenwall.simulation.demo_broker import demo_broker

    with listen("127.0.0.1", 0) as probe:
        port = int(probe.getsockname()[1])
    async with demo_broker(port) as spec:
        yield spec


def _pairs(application: Application, people: People, press: Press) -> bool:
    """Whether this press confirms a waiting phone. A press at a turning frame never does."""
    turns = application.service.snapshot().frame.mode == "turning"
    return press is Press.LONG and not turns and people.at_frame.confirm()


# --- Everything ----------------------------------------------------------------------------------


@asynccontextmanager
async def open_doors(
    setup: Setup, settings: Settings, say: Callable[[str], None]
) -> AsyncIterator[Application]:
    """Open the application with its telemetry and its panel until the block ends.

    say: the rig's console.
    """
    async with (
        open_application(setup) as application,
        open_telemetry(application) as telemetry,
        open_panel(application.service, settings, say) as people,
        speaking(setup.spec.speech, application.supervisor, say),
        calling(
            application.supervisor,
            setup.spec.name,
            channels_of(setup.spec.calls, people.phones, telemetry),
        ),
    ):
        application.hand.catch = partial(_pairs, application, people)
        spec = setup.spec
        kind = "simulated" if spec.backend == "simulated" else spec.port
        pace = "" if setup.speed == 1.0 else f", {setup.speed:g} x real speed"
        say(f"The panel is at {settings.address} ({spec.name}, {kind}{pace}).")
        now = application.service.snapshot()
        if now.step not in OVER:
            where = f"{now.casting}, coat {now.coat} of {len(now.coats)}"
            say(
                f"The controller was restarted in the middle of a casting ({where}). The casting "
                f"goes on."
            )
        yield application
