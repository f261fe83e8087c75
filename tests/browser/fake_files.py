"""Papers and photographs of the fake service."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from evenwall.errors import InputError
from evenwall.model import Answer
from evenwall.run.events import Photographed
from evenwall.service.library import Library
from evenwall.service.shape_work import photograph

PDF = b"%PDF-1.4\n% a paper\n"
ZIP = b"PK\x05\x06" + bytes(18)
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c489"
    "0000000a49444154789c6300010000050001" + "0d0a2db40000000049454e44ae426082"
)


class FakeFiles:
    """Meets `RunFiles`. known: raises InputError for a run or job that is not there."""

    def __init__(
        self,
        library: Library,
        known: Callable[[str], None],
        write: Callable[[dict[str, Any]], int],
    ) -> None:
        self.library, self.known, self.write = library, known, write
        self.kept: dict[str, Answer] = {}

    async def plan_paper(self, run_or_job_id: str, units: str = "metric") -> bytes:
        del units
        self.known(run_or_job_id)
        return PDF

    async def wall_picture(self, run_or_job_id: str, units: str = "metric") -> bytes:
        del units
        self.known(run_or_job_id)
        return PNG

    async def run_paper(self, run_id: str, units: str = "metric") -> bytes:
        del units
        self.known(run_id)
        return PDF

    async def export(self, run_id: str) -> bytes:
        self.known(run_id)
        return ZIP

    async def add_photo(self, run_id: str, upload: str, words: dict[str, str], key: str) -> Answer:
        self.known(run_id)
        if key not in self.kept:
            source, _ = self.library.picture(upload)
            photo = Photographed(**{**photograph(source, self.library.folder / "photos"), **words})
            data = {**photo.model_dump(mode="json"), "sentence": f"Kept: {photo.caption}."}
            number = self.write(data)
            source.unlink()
            self.kept[key] = Answer(accepted=True, sentence=data["sentence"], event_id=number)
        return self.kept[key]

    async def photo(self, run_id: str, name: str) -> Path:
        self.known(run_id)
        path = self.library.folder / "photos" / name
        if not path.is_file():
            raise InputError("run_id", run_id, f"has no photograph {name}")
        return path
