"""Files for a phone: plans and run reports as PDF, exports, wall pictures, photographs."""

from __future__ import annotations

import asyncio
import io
import tempfile
import zipfile
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from evenwall.errors import EvenwallError, InputError
from evenwall.history.export import export_run
from evenwall.history.photos import MOST, captioned, checked, photos_of
from evenwall.history.recorded import Recorded
from evenwall.model import Answer, Plan, parse
from evenwall.records.journal import Journal
from evenwall.run.command_desk import unwritten
from evenwall.run.events import Answered, Photographed, line_of
from evenwall.service.port import RunPort
from evenwall.service.uploads import PICTURES, Uploads
from evenwall.units import System
from evenwall.worker_process import in_worker

T = TypeVar("T")
WAITING = 6  # papers asked for at once; each takes seconds of a core


@dataclass(frozen=True)
class Papers:
    """Drawers of papers and pictures, each returning the bytes of a file.

    plan: of (plan, units), PDF. run: of (run, proven run or None, [(file, caption)], units), PDF.
    wall: of (plan, units), PNG. units: those of the figures.
    """

    plan: Callable[..., bytes]
    run: Callable[..., bytes]
    wall: Callable[..., bytes]


class RunFiles:
    """Files of the service. Lives on its event loop; slow work runs on two threads, since a
    photograph must not wait for a plan on paper, which takes minutes on a small machine."""

    def __init__(
        self,
        papers: Papers | None,
        photos: Path | None,
        uploads: Uploads,
        run: RunPort,
        plan_of: Callable[[str], Awaitable[Plan]],
    ) -> None:
        """Set up the files.

        papers: None if nothing can be drawn. photos: folder of photographs; None if the record is
        in memory only. uploads: folder in which a phone's files arrive. plan_of: returns the plan
        of a run or of a job.
        """
        self._papers, self.folder, self._uploads = papers, photos, uploads
        self._run, self._read, self._plan_of = run, run.records.read, plan_of
        self._thread = ThreadPoolExecutor(1, "papers")
        self._photographs = ThreadPoolExecutor(1, "photographs")
        self._waiting = 0
        self._taking = asyncio.Lock()

    def close(self) -> None:
        """Drop work that has not begun."""
        for thread in (self._thread, self._photographs):
            thread.shutdown(wait=False, cancel_futures=True)

    async def _write(self, run_id: str, event: Answered, key: str) -> Answer:
        """Write an accepted event of any run, under way or over."""
        row = self._run.write_event(run_id, event, key)
        written = await self._run.records.flush()
        answer = Answer(accepted=True, sentence=event.sentence, event_id=row.event_id)
        return answer if written else unwritten(answer)

    async def _made(self, work: Callable[..., T], *args: Any) -> T:
        """Run this work on the thread. Raises EvenwallError if too many requests wait."""
        if self._waiting >= WAITING:
            raise EvenwallError("Too many documents are being made: wait for one to finish")
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._thread, work, *args)
        finally:
            self._waiting -= 1

    def _drawn_by(self) -> Papers:
        if self._papers is None:
            raise EvenwallError("this controller makes no documents")
        return self._papers

    async def plan_paper(self, run_or_job_id: str, units: System = "metric") -> bytes:
        """Return the plan as PDF. Raises InputError."""
        plan = await self._plan_of(run_or_job_id)
        return await self._made(self._drawn_by().plan, plan, units)

    async def wall_picture(self, run_or_job_id: str, units: System = "metric") -> bytes:
        """Return the planned wall as PNG. Raises InputError if no film was computed."""
        plan = await self._plan_of(run_or_job_id)
        if plan.wall.min_mm is None:
            raise InputError("wall", "absent", "the plan's wall was not computed")
        return await self._made(self._drawn_by().wall, plan, units)

    async def run_paper(self, run_id: str, units: System = "metric") -> bytes:
        """Return the run's report as PDF. Raises InputError, RecordError."""

        def both(journal: Journal) -> tuple[Recorded, Recorded | None]:
            run = Recorded.read(journal, run_id)
            other = run.state.replay_of
            known = other and other in journal.run_ids()
            return run, Recorded.read(journal, other) if other and known else None

        run, proven = await self._read(both)
        photos = [] if self.folder is None else captioned(run, self.folder)
        return await self._made(self._drawn_by().run, run, proven, photos, units)

    async def export(self, run_id: str) -> bytes:
        """Return the run, exported with its photographs, as ZIP. Raises InputError, RecordError."""
        run = await self._read(lambda journal: Recorded.read(journal, run_id))
        return await self._made(_zipped, run, self.folder)

    # --- Photographs -----------------------------------------------------------------------------

    async def add_photo(self, run_id: str, upload: str, words: dict[str, str], key: str) -> Answer:
        """Keep an uploaded picture with the record of a run. Idempotent by key.

        upload: name of the upload, which is removed. words: `what` and `text` of a `Photo`.
        Raises InputError.
        """
        if self.folder is None:
            raise EvenwallError("the record is only in memory and cannot keep photographs")
        source = self._uploads.path_of(upload, PICTURES)
        async with self._taking:  # two presses of one button may arrive at the same time
            earlier = await self._read(lambda journal: journal.event_of_key(key))
            if earlier is not None:
                number = earlier.event_id
                said = line_of(earlier)
                return Answer(accepted=True, sentence=said, event_id=number, repeated=True)
            run = await self._read(lambda journal: Recorded.read(journal, run_id))
            if len(photos_of(run)) >= MOST:
                raise InputError("photos", MOST + 1, f"a run keeps at most {MOST}")
            if not source.is_file():
                raise InputError("file", upload, "no such picture was sent")
            work = "evenwall.service.shape_work", "photograph"
            loop = asyncio.get_running_loop()
            made = await loop.run_in_executor(
                self._photographs, in_worker, *work, source, self.folder
            )
            photo = parse(Photographed, {**made, **words}, "photo")
            sentence = f"Photograph kept. {photo.caption}."
            taken = {"sentence": sentence, "accepted": True}
            answer = await self._write(run_id, photo.model_copy(update=taken), key)
            source.unlink(missing_ok=True)
        return answer

    async def photo(self, run_id: str, name: str) -> Path:
        """Return the file of a run's photograph. Raises InputError."""
        run = await self._read(lambda journal: Recorded.read(journal, run_id))
        photo = next((one for one in photos_of(run) if one.file == name), None)
        if photo is None or self.folder is None:
            raise InputError("run_id", run_id, f"has no photograph {name[:40]}")
        return await asyncio.to_thread(checked, self.folder, photo)


def _zipped(run: Recorded, photos: Path | None) -> bytes:
    """Return an exported run as one ZIP file, in a folder named after the run."""
    made = io.BytesIO()
    with tempfile.TemporaryDirectory(prefix="evenwall-export-") as name:
        folder = Path(name) / run.run_id
        files = export_run(run, folder, photos=photos)
        with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
            for file in files:
                archive.write(file, file.relative_to(name))
    return made.getvalue()
