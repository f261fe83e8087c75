"""Lines typed at the rig's own terminal: clumsy and hostile ones are refused in one sentence."""

from __future__ import annotations

import asyncio
import io
import random
from types import SimpleNamespace
from typing import Any, cast

import pytest

from evenwall.cli import console, serving
from evenwall.cli.application import Application
from evenwall.cli.printing import printable, say
from evenwall.errors import EvenwallError, InputError, RecordError
from evenwall.model import Answer, Command
from evenwall_bridge.clock import ManualClock

LONG = b"note " + b"x" * 3 * console.LINE_BYTES + b" abandon\n"


class House:
    """Stands in for the application and keeps the commands."""

    def __init__(self, error: EvenwallError | None = None) -> None:
        self.done: list[Any] = []
        self.error = error
        self.loads = SimpleNamespace(load=lambda mass_g: self.done.append(("load", mass_g)))
        self.board = None
        self.setup = SimpleNamespace(units="metric")
        self.service = self

    def snapshot(self) -> Any:
        return SimpleNamespace(step_id="step-1")

    async def command(self, command: Command) -> Answer:
        if self.error is not None:
            raise self.error
        self.done.append(command.order)
        return Answer(accepted=True, sentence=f"Done: {command.name}.")


def typed(
    *sent: bytes, house: House | None = None, soon_s: float = 0.0
) -> tuple[list[Any], list[str]]:
    """Type these bytes and then cut the line; return the commands and the printed text."""
    house, said = house or House(), list[str]()

    async def run() -> None:
        reader = asyncio.StreamReader(limit=console.LINE_BYTES)
        for piece in sent:
            reader.feed_data(piece)
        reader.feed_eof()
        pace = console.Pace(ManualClock(), soon_s)
        await console.follow(cast(Application, house), reader, pace, said.append)

    asyncio.run(run())
    return house.done, said


@pytest.mark.parametrize(
    "line",
    [
        LONG,
        b"abandon",  # the line was cut before Enter
        b"abandon the cast",
        b"\xff\xfe\n",
        b"note \xc3\n",
        b"note \x1b[2J\x1b[1;1HKeep turning.\n",
        b"\x1b[A\n",  # the arrow upward
        b"note \x00\n",
        b"note \xe2\x80\xae gnp.\n",  # turns the direction of writing
        b"weigh nan 50\n",
        b"weigh inf 50\n",
        b"weigh 1e999 50\n",
        b"weigh -50 50\n",
        b"weigh 1e308 1e308\n",
        b"measure 0 nan\n",
        b"scale nan\n",
        b"scale -inf\n",
        b"scale 1e300\n",
        b"note " + b"x" * 600 + b"\n",
        b"abandon " + b"x" * 600 + b"\n",
    ],
)
def test_a_line_that_is_none_is_refused_in_one_sentence(line: bytes) -> None:
    done, said = typed(line)
    assert done == []
    assert len(said) == 1
    assert "\n" not in said[0]
    assert len(said[0]) < 1000


def test_the_line_after_a_refused_one_acts_as_typed() -> None:
    done, said = typed(LONG, b"\xff\n", b"stop\n")
    assert [one.name for one in done] == ["stop_turning"]
    assert said[-1] == "Done: stop_turning."


def test_a_refusal_of_the_record_ends_no_console() -> None:
    house = House(RecordError("the disk is full"))
    assert typed(b"stop\npause\n", house=house)[1] == ["the disk is full"] * 2


def test_any_bytes_are_answered_or_do_nothing_worse_than_their_words() -> None:
    """Seeded noise, cut anywhere: the console survives and accepts the next line."""
    draw = random.Random(28)
    words = (
        b"weigh",
        b"note",
        b"touch cup",
        b"\n",
        b" ",
        b"nan",
        b"1e9",
        b"\x1b[",
        b"\xff",
        b"scale",
        b"9" * 400,
    )
    for _ in range(300):
        noise = b"".join(
            draw.choice((*words, draw.randbytes(3))) for _ in range(draw.randrange(40))
        )
        done, _ = typed(noise, b"\nstop\n")
        assert done[-1].name == "stop_turning"


def test_a_held_enter_key_confirms_one_step() -> None:
    """Thirty lines of Enter at once are one press; a fully typed word is always carried out."""
    done, said = typed(b"\n" * 30, b"stop\n", soon_s=console.SOON_S)
    assert [line[:14] for line in said] == ["Done: next.", "Enter came too", "Done: stop_tur"]
    assert [one.name for one in done] == ["next", "stop_turning"]
    assert len(typed(b"\n" * 3)[0]) == 3  # from a script


def test_a_phones_words_do_not_steer_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    say("Note: \x1b[2J\x1b]0;title\x07 and \u202egnp\r.")
    assert not set(capsys.readouterr().out) & set("\x1b\x07\u202e\r")
    kept = "wide\u00a0and größer\u2009— 你好\tend\n"
    assert printable(kept) == kept


@pytest.mark.parametrize("typed_", ["", "\xff", "n\n", "perhaps\n"])
def test_a_question_without_an_answer_is_no_consent(
    monkeypatch: pytest.MonkeyPatch, typed_: str
) -> None:
    answer = io.TextIOWrapper(io.BytesIO(typed_.encode("latin-1")), encoding="utf-8")
    monkeypatch.setattr("sys.stdin", answer)
    assert asyncio.run(serving._ask("Is the mould out?")) is False


def test_a_line_of_text_is_its_words() -> None:
    assert console.line_of("  note  größer \n".encode()) == ["note", "größer"]
    with pytest.raises(InputError, match="the line"):
        console.line_of(None)
