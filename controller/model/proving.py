"""Comparison of a run with its plan before it is proven: figures, troubles, missing
measurements."""

from __future__ import annotations

from typing import Literal

from evenwall.model.bounds import Frozen
from evenwall.model.library import Measured


class Finding(Frozen):
    """One figure, predicted and measured.

    low, high: the span within which the figure agrees with the plan, its error included; None
    where no error is known. contradicts: the figure is outside that span.
    """

    what: str
    unit: str
    foreseen: float | None
    measured: float
    low: float | None = None
    high: float | None = None
    contradicts: bool = False
    sentence: str = ""

    @property
    def difference_percent(self) -> float | None:
        return None if not self.foreseen else 100.0 * (self.measured / self.foreseen - 1.0)


class Trouble(Frozen):
    """Something that went wrong in a run. grave: the coat is not the one that was planned."""

    kind: str
    sentence: str
    coat: int | None = None
    times: int = 1
    grave: bool = False


MissingKind = Literal[
    "weight", "rim", "spots", "coat_weights", "cup_weighed_back", "wall", "places"
]


class Missing(Frozen):
    """A useful figure that nobody gave."""

    kind: MissingKind
    sentence: str


class Assessment(Frozen):
    """The findings that a person sees before a run is finally proven."""

    run_id: str
    measured: Measured
    findings: tuple[Finding, ...]
    troubles: tuple[Trouble, ...]
    missing: tuple[Missing, ...]
    sentences: tuple[str, ...]
    against: tuple[str, ...] = ()  # contradictions to the plan, one sentence each: need a reason
