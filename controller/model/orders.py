"""Orders: a frozen class for each command that a person can give, with the data it carries.

A new command is a class in this module and a handler in `evenwall.run.commands`. Its `name`
registers it, and the web and the broker accept every registered command. Its docstring describes it
in the interface's document.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import ConfigDict, Field

from evenwall.errors import InputError
from evenwall.model.bounds import Frozen, NonNegative, Positive
from evenwall.model.library import Measured
from evenwall.model.parsing import parse
from evenwall.model.plan import Plan

Id = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[A-Za-z0-9._:-]+$")]
Line = Annotated[str, Field(min_length=1, max_length=500)]

ORDERS: dict[str, type[Order]] = {}  # every order that a person can send, by its command's name


class Order(Frozen):
    """Data of a command. A number must be sent as a number, not as text, true or false."""

    model_config = ConfigDict(strict=True)
    name: ClassVar[str] = ""  # the command's name
    inside: ClassVar[bool] = False  # made by the program itself: nobody can send it

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        super().__pydantic_init_subclass__(**kwargs)
        if not cls.name or cls.inside:
            return
        if cls.name in ORDERS:
            raise TypeError(f"the command {cls.name!r} is {ORDERS[cls.name].__name__}'s already")
        ORDERS[cls.name] = cls


def read_order(name: str, data: Mapping[str, Any]) -> Order:
    """Return the order of a command as it was sent. Raises InputError."""
    if name not in ORDERS:
        raise InputError("command", name, "there is no such command")
    return parse(ORDERS[name], dict(data), name)


class Command(Frozen):
    """A person's order (panel, terminal, hardware button). Idempotent by `key`."""

    key: str
    order: Order
    step_id: str | None = None  # the command is refused when the run has moved on
    who: str = "console"

    @property
    def name(self) -> str:
        """Name of the command in the record and on the web."""
        return self.order.name


# --- A casting -----------------------------------------------------------------------------------


class Start(Order):
    """Begin a run from an accepted plan.

    The plan comes from a job, from the request itself, or from a run on record.
    """

    model_config = ConfigDict(strict=False)  # a plan comes as a document
    name: ClassVar[str] = "start"
    job_id: Id | None = None
    plan: Plan | None = None
    run_id: Id | None = None


class StartOwn(Order):
    """Begin a run from a plan that this program itself made or read."""

    name: ClassVar[str] = "start"
    inside: ClassVar[bool] = True
    plan: Plan


class Next(Order):
    """Confirm that this step is done; this is the main button."""

    name: ClassVar[str] = "next"


class StepBack(Order):
    """Take back the last step, if it can still be undone."""

    name: ClassVar[str] = "step_back"


class Abandon(Order):
    """Give up the casting."""

    name: ClassVar[str] = "abandon"
    reason: Line


# --- The frame -----------------------------------------------------------------------------------


class StopTurning(Order):
    """Ramp down and switch the motors off."""

    name: ClassVar[str] = "stop_turning"


class Pause(Order):
    """Ramp down and hold."""

    name: ClassVar[str] = "pause"


class Resume(Order):
    """Turn again, from where the turning stopped."""

    name: ClassVar[str] = "resume"


class Simulate(Order):
    """Press the button of a simulated frame, or move its guard; a real rig refuses this command."""

    name: ClassVar[str] = "simulate"
    what: Literal["button", "hold", "guard"]


# --- The resin -----------------------------------------------------------------------------------


class Weigh(Order):
    """Enter the weights of both parts."""

    name: ClassVar[str] = "weigh"
    part_a_g: Positive
    part_b_g: Positive


class WeighPart(Order):
    """Enter the weight of one part; the other may follow.

    mass_g: total mass of the part in its cup.
    """

    name: ClassVar[str] = "weigh_part"
    part: Literal["A", "B"]
    mass_g: Positive


class WeighBack(Order):
    """Enter the grams left in the cup and the grams that ran over into the tray.

    A value that is left out was not weighed.
    """

    name: ClassVar[str] = "weigh_back"
    cup_left_g: NonNegative | None = None
    spill_g: NonNegative | None = None


class Touch(Order):
    """Report that the cup or the coat was found gelled.

    confirmed: the person was asked again, and is sure.
    """

    name: ClassVar[str] = "touch"
    what: Literal["cup", "coat"]
    confirmed: bool = False


class TakeBack(Order):
    """Take back the latest weight or touch of this coat."""

    name: ClassVar[str] = "take_back"


# --- The sheet -----------------------------------------------------------------------------------


class Tick(Order):
    """Tick a line of the list, or take its tick back.

    index: number of the line, from 0. all: tick every line.
    """

    name: ClassVar[str] = "tick"
    index: Annotated[int, Field(ge=0, le=50)] = 0
    done: bool = True
    all: bool = False


class Draft(Order):
    """Keep text that is typed but not yet sent, so that every phone shows it.

    value: an empty text clears the field.
    """

    name: ClassVar[str] = "draft"
    field: Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[a-z0-9-]+$")]
    value: Annotated[str, Field(max_length=200)] = ""


class Note(Order):
    """Add a line to the record."""

    name: ClassVar[str] = "note"
    text: Line


class AnswerQuestion(Order):
    """Answer a question that the run asked."""

    name: ClassVar[str] = "answer"
    question: Id
    value: Id


class Acknowledge(Order):
    """Say that a person is coming, so that calls are not repeated."""

    name: ClassVar[str] = "acknowledge"


# --- The casting, out of the mould ---------------------------------------------------------------


class Measure(Measured, Order):
    """Enter the measurements of the casting."""

    model_config = ConfigDict(strict=False)  # a single reading is a list of one
    name: ClassVar[str] = "measure"


class Prove(Measured, Order):
    """Mark a measured run as proven.

    Measurements made since the run ended may be sent with it.

    reason: needed where the casting contradicts its plan. confirmed: the person was asked again,
    and is sure.
    """

    model_config = ConfigDict(strict=False)
    name: ClassVar[str] = "prove"
    run_id: Id
    reason: Annotated[str, Field(max_length=500)] = ""
    confirmed: Annotated[bool, Field(strict=True)] = False


def given(order: Measured) -> dict[str, Any]:
    """Return the measurements that were given, as plain values."""
    kept: dict[str, Any] = order.model_dump(
        mode="json", include=set(Measured.model_fields), exclude_defaults=True
    )
    return kept
