"""Narrow port through which the service uses a supervisor and its record."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Protocol, TypeVar

from evenwall.model import (
    Answer,
    Command,
    Event,
    LiveWall,
    RigSpec,
    Sample,
    Snapshot,
    WallSummary,
)
from evenwall.records.journal import Journal
from evenwall.run.events import RunEvent
from evenwall.run.laid import LaidKey
from evenwall.run.observation import Observation
from evenwall.run.recording import Watcher
from evenwall.run.state import RunState
from evenwall_bridge.contract import Clock

T = TypeVar("T")


class RecordPort(Protocol):
    """Record that is read and written in the background."""

    async def read(self, work: Callable[[Journal], T]) -> T:
        """Run a query on the journal. Raises RecordError."""
        ...

    async def items(self, after_id: int, limit: int = 5000) -> list[Event | Sample]:
        """Return rows of every run after an id, in order."""
        ...

    def keep(self, name: str, value: str) -> None:
        """Keep a note under a name; it is written with the next batch."""
        ...

    async def flush(self) -> bool:
        """Write the waiting rows and return whether all are on the disk."""
        ...


class RunPort(Protocol):
    """Interface of a supervisor for the service."""

    on_laid: Callable[[], None] | None  # called when a coat is laid, or weighed back
    on_changed: Callable[[LaidKey], None] | None  # called when the wall differs from the plan
    on_look: Callable[[RunState], None] | None  # called after every look at a run
    wall: tuple[LaidKey, WallSummary] | None  # computed again, with its key
    live_wall: LiveWall | None  # of the coat under way
    notices: dict[str, str]

    @property
    def spec(self) -> RigSpec: ...

    @property
    def clock(self) -> Clock: ...

    @property
    def speed(self) -> float: ...

    @property
    def records(self) -> RecordPort: ...

    @property
    def state(self) -> RunState | None: ...

    @property
    def seen(self) -> Observation: ...

    @property
    def last_id(self) -> int: ...

    def snapshot(self) -> Snapshot: ...

    def wake(self) -> None: ...

    def watcher(self) -> AbstractContextManager[Watcher]: ...

    async def command(self, command: Command) -> Answer: ...

    def write_event(self, run_id: str, event: RunEvent, key: str | None) -> Event: ...
