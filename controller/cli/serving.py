"""`evenwall serve`, `spin` and `rig`: the controller at work, with its panel and its console."""

from __future__ import annotations

import asyncio
import signal
import sys
import uuid
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Any

from evenwall.cli.application import (
    OVER,
    Application,
    Setup,
    going_on,
    only_one,
    open_devices,
    open_doors,
    scale_of,
    scripted_operator,
)
from evenwall.cli.console import SIMULATED_HELP, Say, console, console_help
from evenwall.cli.service_manager import Notifier
from evenwall.cli.signals import Signals
from evenwall.devices import frame
from evenwall.devices.rig_check import Bench, Finding, check
from evenwall.errors import EvenwallError, InputError
from evenwall.model import Command, Order, Snapshot, orders
from evenwall.planning.in_words import clock_words
from evenwall_bridge.clock import SystemClock
from evenwall_web.settings import Settings

NEW_LINE = "\n"  # in a person's words: the text after it would look like a line from the rig
AGAIN_S = 5.0  # time after a first Ctrl-C to press it again
# --- Serving -------------------------------------------------------------------------------------


@asynccontextmanager
async def _open(setup: Setup, settings: Settings, say: Say) -> AsyncIterator[Application]:
    """Open the application, its panel, telemetry and console, and tell the service manager."""
    async with open_doors(setup, settings, say) as application:
        notifier = Notifier.from_environment()
        notifier.ready(settings.address)
        tasks = [
            asyncio.create_task(
                notifier.keep_awake(
                    SystemClock(),
                    lambda: application.supervisor.looks,
                    lambda: application.service.snapshot().sentence,
                )
            ),
            asyncio.create_task(console(application, say)),
            asyncio.create_task(tell(application, say)),
        ]
        try:
            yield application
        finally:
            notifier.stopping()
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            notifier.close()


async def serve(setup: Setup, settings: Settings, say: Say) -> bool:
    """Serve until Ctrl-C (returns True) or until the service manager ends the process.

    A turning frame is left alone and keeps turning for the time granted.
    """
    with Signals() as signals:
        async with _open(setup, settings, say) as application:
            told = await signals.wait(asyncio.ensure_future(application.supervisor.tasks.wait()))
            signals.release()
            if told is signal.SIGTERM:
                _leave_board(application)
            return told is signal.SIGINT


def _leave_board(application: Application) -> None:
    """Let the simulated board of a casting go on after this process, as a real one does."""
    board = application.board
    if board is not None and application.service.snapshot().step not in OVER:
        board.outlives = True


async def spin(
    setup: Setup, settings: Settings, what: Order, say: Say, *, scripted: bool = False
) -> Snapshot | None:
    """Run one casting to its end; None if it was interrupted.

    The first Ctrl-C asks. A second one within AGAIN_S abandons the casting, closes its record and
    stops the frame. SIGTERM ends this process only: the board keeps turning for the time granted,
    and the next process joins the run again.

    what: order to start a plan or to replay a run. scripted: a scripted operator does the manual
    work on a simulated rig.
    """
    with Signals() as signals:  # caught from here on, so that the record is always closed
        async with _open(setup, settings, say) as application:
            hands = scripted_operator(application) if scripted else None
            await start(application, what)
            say(console_help(setup.units))
            if setup.spec.backend == "simulated":
                say(SIMULATED_HELP)
            work = hands.work() if hands is not None else _until_over(application)
            ended = asyncio.create_task(work)
            told = await signals.wait(ended)
            while told is signal.SIGINT and not await _sure(application, signals, ended, say):
                told = await signals.wait(ended)
            signals.release()
            return await _left(application, ended, told, say)


async def _left(
    application: Application,
    ended: asyncio.Task[Snapshot],
    told: signal.Signals | None,
    say: Say,
) -> Snapshot | None:
    """Return the casting's last state, or end it as the signal asks and return None."""
    if ended.done() and not ended.cancelled():
        return ended.result()
    ended.cancel()
    await asyncio.gather(ended, return_exceptions=True)
    if told is signal.SIGINT:
        say(await abandon(application))
    else:
        _leave_board(application)
        say(
            "Ended. The board keeps turning for the time granted. Start Evenwall again to carry on "
            "with the run."
        )
    return None


async def _sure(
    application: Application, signals: Signals, ended: asyncio.Future[Any], say: Say
) -> bool:
    """Ask to confirm Ctrl-C; True if it is pressed again in time, or if nothing would be lost."""
    if application.service.snapshot().step in OVER:
        return True
    say(f"The casting goes on. Press Ctrl-C again within {AGAIN_S:.0f} s to give it up.")
    pause = asyncio.ensure_future(SystemClock().sleep(AGAIN_S))
    either = asyncio.ensure_future(
        asyncio.wait({pause, ended}, return_when=asyncio.FIRST_COMPLETED)
    )
    told = await signals.wait(either)
    for task in (either, pause):
        task.cancel()
    await asyncio.gather(either, pause, return_exceptions=True)
    return told is not None


async def _until_over(application: Application) -> Snapshot:
    async for item in application.service.watch(None):
        if item.kind == "snapshot" and item.data["step"] in OVER:
            break
    return application.service.snapshot()


async def start(application: Application, what: Order, who: str = "console") -> None:
    """Begin a casting from a plan or a run. Raises EvenwallError with the words of the refusal."""
    answer = await application.service.command(Command(key=uuid.uuid4().hex, who=who, order=what))
    if not answer.accepted:
        raise EvenwallError(answer.sentence)


async def abandon(application: Application) -> str:
    """Ramp the frame down, close the record of an interrupted casting, and report in words."""
    if application.service.snapshot().step in OVER:
        return "Nothing was under way."
    answer = await application.service.command(
        Command(
            key=uuid.uuid4().hex,
            who="console",
            order=orders.Abandon(reason="interrupted at the console"),
        )
    )
    return answer.sentence


async def tell(application: Application, say: Say) -> None:
    """Print the record line by line as it is written, with times from the run's start.

    Also print the present instruction whenever it changes.
    """
    told, sentence = application.service.snapshot().last_event_id, ""
    async for item in application.service.watch(None):
        if item.kind != "snapshot":
            continue
        shown = Snapshot.model_validate(item.data)
        for line in shown.record:
            if line.event_id > told:
                told = line.event_id
                at = clock_words(line.at_s - (shown.started_s or 0.0))
                say(f"{at:>8}  {line.text.replace(NEW_LINE, ' ')}")
        if shown.sentence != sentence:
            sentence = shown.sentence
            say(f"      ->  {sentence}")


# --- The frame by hand ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Wish:
    """Task of one `evenwall rig` command."""

    action: str
    where: str = "down"
    axis: str = "major"
    rate_rpm: float = 1.0
    turns: float = 1.0
    may_turn: bool = False


async def _ask(question: str) -> bool:
    try:
        answer = await asyncio.to_thread(input, f"{question} [y/n] ")
    except (EOFError, UnicodeDecodeError):  # nobody types, or not letters: no consent
        return False
    return answer.strip().lower() in ("y", "yes")


async def by_hand(setup: Setup, wish: Wish, say: Say) -> list[Finding]:
    """Carry out the task; a check and homing return findings. Raises InputError, BridgeError."""
    clock = going_on(setup.record, setup.speed)
    with only_one(setup.data), open_devices(setup, clock) as devices:
        rig, spec = devices.rig, setup.spec
        inputs = devices.hand.behind
        person = _ask if sys.stdin.isatty() else None
        if wish.action != "check" or wish.may_turn:
            await frame.cleared(spec, inputs, clock, person, say)
        findings: list[Finding] = []
        try:
            if wish.action == "check":
                named = spec.scale if spec.backend == "serial" else None
                bench = Bench(
                    spec,
                    rig,
                    clock,
                    devices.probes,
                    inputs,
                    devices.outputs,
                    person,
                    may_turn=wish.may_turn,
                    scale=None if named is None else scale_of(named, named.port),
                )
                async for finding in check(bench):
                    findings.append(finding)
                    say(finding.line())
                return findings
            await rig.open()
            if wish.action == "home":
                findings = await frame.home(rig, spec, clock)
                for finding in findings:
                    say(finding.line())
            elif wish.action == "park":
                await frame.park(rig, spec, up=wish.where == "up")
                say(f"Parked, opening {wish.where}.")
            elif wish.action == "turn":
                state = await frame.turn(rig, spec, clock, wish.axis, wish.rate_rpm, wish.turns)
                one = state.major if wish.axis == "major" else state.minor
                say(f"{wish.axis}: {one.steps} steps counted, at {one.angle_deg:.1f} deg.")
            else:
                raise InputError("action", wish.action, "must be check, home, park or turn")
            await rig.stop()
            return findings
        finally:
            await rig.close()
            for _, probe in devices.probes.values():
                await probe.close()
