"""Commands of a person to the run, and the data that each carries."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, create_model

from evenwall.model import Frozen, Measured, NonNegative, Plan, Positive

Key = Annotated[str, Field(min_length=8, max_length=64, pattern=r"^[A-Za-z0-9_-]+$")]
Id = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[A-Za-z0-9._:-]+$")]
Words = Annotated[str, Field(min_length=1, max_length=500)]


class Nothing(Frozen):
    """No data."""


class Start(Frozen):
    """Take up a plan that was made here, or one that was sent, or that of a run on record."""

    job_id: Id | None = None
    plan: Plan | None = None
    run_id: Id | None = None


class Touch(Frozen):
    what: Literal["cup", "coat"]
    confirmed: bool = False  # the person was asked, and is sure


class Weigh(Frozen):
    part_a_g: Positive
    part_b_g: Positive


class WeighPart(Frozen):
    """One part as it was read off the scale: all of it that is in its cup."""

    part: Literal["A", "B"]
    mass_g: Positive


class WeighBack(Frozen):
    """Grams; what is left out was not weighed."""

    cup_left_g: NonNegative | None = None
    spill_g: NonNegative | None = None


class Note(Frozen):
    text: Words


class Tick(Frozen):
    """A line of the list, from 0; or the whole list."""

    index: Annotated[int, Field(ge=0, le=50)] = 0
    done: bool = True
    all: bool = False


class Draft(Frozen):
    """Text typed into a field of the sheet and not sent; empty: nothing stands there."""

    field: Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[a-z0-9-]+$")]
    value: Annotated[str, Field(max_length=200)] = ""


class Simulate(Frozen):
    """A deed at a simulated frame: its button pressed or held, its guard moved."""

    what: Literal["button", "hold", "guard"]


class Reply(Frozen):
    question: Id
    value: str | float | bool


class Abandon(Frozen):
    reason: Words


class Prove(Measured):
    """A run that is over, and what more was measured since.

    reason: needed where the casting contradicts its plan. confirmed: the person was asked once
    more, and is sure.
    """

    run_id: Id
    reason: Annotated[str, Field(max_length=500)] = ""
    confirmed: bool = False


COMMANDS: dict[str, tuple[type[Frozen], str]] = {
    "start": (Start, "Begin a run from an accepted plan."),
    "next": (Nothing, "The one button: this step is done."),
    "stop_turning": (Nothing, "Ramp down and switch the motors off."),
    "pause": (Nothing, "Ramp down and hold."),
    "resume": (Nothing, "Turn again, from where the turning stopped."),
    "touch": (Touch, "A person found the cup or the coat gelled."),
    "take_back": (Nothing, "Take back the latest weight or touch of this coat."),
    "acknowledge": (Nothing, "A person is coming: calls are not repeated."),
    "step_back": (Nothing, "Take back the last step, where the world allows it."),
    "weigh": (Weigh, "The two parts as weighed."),
    "weigh_part": (WeighPart, "One part as weighed; the other may follow."),
    "weigh_back": (WeighBack, "What stayed in the cup, and what ran over into the tray."),
    "tick": (Tick, "Tick a line of the list, or take its tick back."),
    "draft": (Draft, "Keep what is typed and not sent, for every phone."),
    "simulate": (Simulate, "Do something at a simulated frame; a real rig refuses."),
    "note": (Note, "A line for the record."),
    "answer": (Reply, "The answer to a question the run asked."),
    "measure": (Measured, "The casting as measured."),
    "prove": (Prove, "Mark a measured run as proven."),
    "abandon": (Abandon, "Give the casting up."),
}


class Ask(Frozen):
    """One request. The same key again gets the first answer again, whatever else it says."""

    key: Key
    step_id: Annotated[str, Field(max_length=120)] | None = None  # refused if the run moved on
    data: Frozen

    def plain_data(self) -> dict[str, Any]:
        """The data as plain JSON values, only what was given."""
        plain: dict[str, Any] = self.data.model_dump(mode="json", exclude_defaults=True)
        return plain


def ask_for(name: str) -> type[Ask]:
    """The request model of one command, so that its document says what data it takes."""
    data, _ = COMMANDS[name]
    required = any(field.is_required() for field in data.model_fields.values())
    default = Field() if required else Field(default_factory=data)
    return create_model(f"Ask_{name}", __base__=Ask, data=(data, default))
