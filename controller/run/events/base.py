"""Base class of the run's events, their registry by kind, and the reading of journal rows."""

from __future__ import annotations

from typing import Any, ClassVar, Self

from pydantic import ConfigDict

from evenwall.errors import InputError
from evenwall.model import Answer, Event, parse
from evenwall.model.bounds import Frozen
from evenwall.run.state import RunState

KINDS: dict[str, type[RunEvent]] = {}  # every class of event, by its name in the journal


class RunEvent(Frozen):
    """Something that happened in a run. A subclass has `kind`, its payload, its fold and its line.

    Unknown fields of a row are ignored, so that rows of later versions can be read. A field that
    earlier rows lack needs a default.
    """

    model_config = ConfigDict(extra="ignore")
    kind: ClassVar[str] = ""  # the name in the journal; it never changes again
    hidden: ClassVar[bool] = False  # left out of the record that people read

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        super().__pydantic_init_subclass__(**kwargs)
        if not cls.__dict__.get("kind"):
            return
        if cls.kind in KINDS:
            raise TypeError(f"the kind {cls.kind!r} is {KINDS[cls.kind].__name__}'s already")
        KINDS[cls.kind] = cls

    @classmethod
    def of(cls, row: Event) -> Self:
        """Payload of a row of this kind. Raises InputError."""
        return parse(cls, row.data, f"event {row.event_id}")

    def data(self) -> dict[str, Any]:
        """Payload as stored in the journal: plain JSON values of the fields that were given."""
        return self.model_dump(mode="json", exclude_unset=True)

    def fold(self, state: RunState, at_s: float) -> RunState:
        """State after this event, which happened at `at_s` on the rig's clock."""
        del at_s
        return state

    def line(self) -> str:
        """Sentence for the record; empty if the kind alone is enough."""
        return ""


class Unknown(RunEvent):
    """An event of a kind that this version does not have; it changes nothing."""

    sentence: str = ""

    def line(self) -> str:
        return self.sentence


class Answered(RunEvent):
    """An event that answers a person's command, and carries the answer."""

    command: str = ""
    who: str = ""
    accepted: bool = False
    sentence: str = ""
    confirm: bool = False

    def answer(self, event_id: int) -> Answer:
        """Answer that was given with this event."""
        return Answer(
            accepted=self.accepted,
            sentence=self.sentence,
            confirm=self.confirm,
            event_id=event_id,
        )

    def line(self) -> str:
        return self.sentence


def read(row: Event) -> RunEvent:
    """Return a row of the journal as an event. Raises InputError if its payload does not fit."""
    return KINDS.get(row.kind, Unknown).of(row)


def hidden(row: Event) -> bool:
    """Whether a row is kept out of the record that people read."""
    return KINDS.get(row.kind, Unknown).hidden


def line_of(row: Event) -> str:
    """Sentence of a row for people; the row's kind if its payload does not fit."""
    kind = row.kind.replace("_", " ")
    try:
        return read(row).line() or kind
    except (InputError, LookupError):
        return f"{kind[:60]} (the rest of this row cannot be read)"
