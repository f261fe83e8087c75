"""The console of `evenwall serve` and `spin`: typed lines become orders, as presses on a phone do.

A line is carried out as a whole or not at all: one that is too long, ends without Enter or contains
anything but text is refused in one sentence.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import stat
import sys
import uuid
from collections.abc import AsyncIterator, Callable

from evenwall.cli.application import Application
from evenwall.devices.interfaces import Press
from evenwall.errors import EvenwallError, InputError
from evenwall.model import Command, Order, orders, read_order
from evenwall.run.spin_offer import QUESTION as SPIN_CHANGE
from evenwall.units import SHOWN, System
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

Say = Callable[[str], None]

LINE_BYTES = 4096  # of one typed line; a terminal itself takes no more (termios(3), canonical mode)
PAN_g = 100_000.0  # capacity of the simulated scale's pan
SOON_S = 0.7  # a held key repeats after 0.25 to 0.5 s (terminal settings, from memory)
CONSOLE_HELP = """\
Enter goes on to the next step. Or type:
  list done        everything on the first checklist is done
  tipped out       the resin was tipped out     has set      the resin has set as a pool
  lay again        pour the lost coat again
  take change      take the offered spin       leave change   keep the planned spin
  weigh A B        {mass} of part A and part B
  touch cup        the cup has gelled          touch coat   the coat has gelled
  touch cup sure   I am sure, though unlikely  take back    the last touch was wrong
  pause   resume   stop                        note TEXT
  measure W RIM    weight of the casting in {mass}, rim in {length}
  abandon WHY      give this casting up"""
_NAMES: dict[System, dict[str, str]] = {
    "metric": {"mass": "grams", "length": "millimetres"},
    "inch": {"mass": "ounces", "length": "inches"},
}
SIMULATED_HELP = """\
  button           press the button at the simulated frame
  button long      hold it down: back, and while it turns: pause
  guard            open or close its guard
  scale GRAMS      put this weight on its scale, if the rig file has one
  scale tare       press the tare key of its scale"""


async def console(application: Application, say: Say) -> None:
    """Turn typed lines into commands, like presses on a phone. Ends when nobody can type."""
    if not _somebody_types():
        return
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=LINE_BYTES)
    pipe, _ = await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    # A held key repeats at a terminal; a script that writes into a pipe means every line.
    pace = Pace(SystemClock(), SOON_S if sys.stdin.isatty() else 0.0)
    with contextlib.closing(pipe):
        await follow(application, reader, pace, say)


class Pace:
    """Refuses Enter right after a line: a held key or pasted text would confirm step after step."""

    def __init__(self, clock: Clock, soon_s: float) -> None:
        self._clock, self._soon_s = clock, soon_s
        self._last_s = -math.inf
        self._told = False

    def refusal(self, line: str) -> str | None:
        """Return None if this line may be carried out now, or else the reason; empty if it was
        already given."""
        now_s = self._clock.now_s()
        soon = not line and now_s - self._last_s < self._soon_s
        self._last_s = now_s
        told, self._told = self._told, soon
        if not soon:
            return None
        return "" if told else "Enter came too soon after the last line: look at the step first."


async def follow(
    application: Application, reader: asyncio.StreamReader, pace: Pace, say: Say
) -> None:
    """Carry out each typed line until the end, and print the result in one sentence."""
    async for line in lines(reader):
        try:
            words = line_of(line)
            said = pace.refusal(" ".join(words))
            if said is None:
                said = await typed(application, words)
        except EvenwallError as error:
            said = str(error)
        if said:
            say(said)


async def lines(reader: asyncio.StreamReader) -> AsyncIterator[bytes | None]:
    """Yield each line; None for one that is too long or does not end with Enter.

    The reader's limit is the longest line. The rest of a longer one is skipped up to its end, so
    that it does not count as a new line.
    """
    whole = True
    while True:
        try:
            line = await reader.readuntil(b"\n")
        except asyncio.LimitOverrunError as over:
            await reader.readexactly(max(1, over.consumed))
            whole = False
            continue
        except asyncio.IncompleteReadError as rest:
            if rest.partial or not whole:
                yield None
            return
        yield line if whole else None
        whole = True


def line_of(line: bytes | None) -> list[str]:
    """Return the words of a typed line. Raises InputError if it is not one line of text."""
    if line is None:
        raise InputError(
            "the line", "cut", f"must end with Enter and have at most {LINE_BYTES} letters"
        )
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        raise InputError("the line", "unreadable", "must be text in UTF-8") from None
    words = text.split()
    if not all(word.isprintable() for word in words):
        raise InputError("the line", "unreadable", "must hold letters, figures and signs only")
    return words


def _somebody_types() -> bool:
    """Whether standard input is a keyboard or a pipe, not a file, /dev/null or closed."""
    try:
        number = sys.stdin.fileno()
    except (AttributeError, ValueError, OSError):
        return False
    kind = os.fstat(number).st_mode
    return os.isatty(number) or stat.S_ISFIFO(kind) or stat.S_ISSOCK(kind)


async def typed(application: Application, words: list[str]) -> str:
    """Carry out a line's words; return the answer in words, empty if there is nothing to say."""
    now = application.service.snapshot()
    if words[:1] == ["button"] and application.board is not None:
        application.hand.press(Press.LONG if words[1:] == ["long"] else Press.NEXT)
        return ""
    if words[:1] == ["guard"] and application.board is not None:
        application.board.set_guard(not now.frame.guard_closed)
        return ""
    if words == ["scale", "tare"] and application.loads is not None:
        application.loads.tare()
        return ""
    if words[:1] == ["scale"] and application.loads is not None and len(words) == 2:
        try:
            load_g = float(words[1])
        except ValueError:
            return SIMULATED_HELP
        if not 0.0 <= load_g <= PAN_g:  # false if it is not a number
            return str(InputError("scale", words[1], f"must be 0 to {PAN_g:.0f} g"))
        application.loads.load(load_g)
        return ""
    try:
        order = meaning(words, application.setup.units)
    except InputError as error:
        return str(error)
    except ValueError:
        return console_help(application.setup.units)
    command = Command(
        key=uuid.uuid4().hex,
        step_id=now.step_id if isinstance(order, orders.Next) else None,
        who="console",
        order=order,
    )
    return (await application.service.command(command)).sentence


_FIXED: dict[str, Order] = {
    "": orders.Next(),
    "list done": orders.Tick(all=True),
    "tipped out": orders.AnswerQuestion(question="coat_lost", value="tipped_out"),
    "has set": orders.AnswerQuestion(question="coat_lost", value="set"),
    "lay again": orders.AnswerQuestion(question="coat_lost", value="again"),
    "take change": orders.AnswerQuestion(question=SPIN_CHANGE, value="take"),
    "leave change": orders.AnswerQuestion(question=SPIN_CHANGE, value="leave"),
    "touch cup": orders.Touch(what="cup"),
    "touch coat": orders.Touch(what="coat"),
    "touch cup sure": orders.Touch(what="cup", confirmed=True),
    "touch coat sure": orders.Touch(what="coat", confirmed=True),
    "take back": orders.TakeBack(),
    "back": orders.StepBack(),
    "stop": orders.StopTurning(),
    "pause": orders.Pause(),
    "resume": orders.Resume(),
}


def console_help(units: System) -> str:
    """Return what may be typed, with the units of typed figures."""
    return CONSOLE_HELP.format(**_NAMES[units])


def meaning(words: list[str], units: System = "metric") -> Order:
    """Return a typed line as an order; its weights and lengths are in `units`.

    Raises ValueError if the line has no meaning, and InputError if its figures do not fit.
    """
    mass, length = SHOWN[units]["g"], SHOWN[units]["mm"]
    match words:
        case ["weigh", part_a, part_b]:
            grams = {"part_a_g": mass.metric(float(part_a)), "part_b_g": mass.metric(float(part_b))}
            return read_order("weigh", grams)
        case ["note", *text]:
            return read_order("note", {"text": " ".join(text)})
        case ["measure", weight, rim]:
            measures = {"weight_g": mass.metric(float(weight)), "rim_mm": length.metric(float(rim))}
            return read_order("measure", measures)
        case ["abandon", *why]:
            return read_order("abandon", {"reason": " ".join(why) or "no reason given"})
    line = " ".join(words)
    if line not in _FIXED:
        raise ValueError(line)
    return _FIXED[line]
