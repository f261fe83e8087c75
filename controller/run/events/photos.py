"""Photographs that people keep with a run."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from evenwall.run.events.base import Answered

What = Literal["gloss", "bubbles", "cut_edge", "whole", "other"]
WORDS: dict[What, str] = {
    "gloss": "Gloss",
    "bubbles": "Bubbles",
    "cut_edge": "The cut edge",
    "whole": "The whole casting",
    "other": "Photograph",
}


class Photographed(Answered):
    """A photograph was kept. file: its name in the folder of photographs beside the record."""

    kind: ClassVar[str] = "photographed"
    file: Annotated[str, Field(pattern=r"^[0-9a-f]{16}\.jpg$")]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    width_px: Annotated[int, Field(gt=0, le=20_000)]
    height_px: Annotated[int, Field(gt=0, le=20_000)]
    what: What = "other"
    text: Annotated[str, Field(max_length=200)] = ""

    @property
    def caption(self) -> str:
        """Words for the subject of the photograph."""
        words = WORDS[self.what]
        return f"{words}: {self.text}" if self.text else words
