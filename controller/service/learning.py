"""Learns from proven castings; their walls are read when the next plan of a mould needs them."""

from __future__ import annotations

import asyncio
from concurrent.futures import Executor
from typing import Any

from evenwall.history.lessons import taught_by, unread_of
from evenwall.history.measured import ReadWall, read_all
from evenwall.model import Casting
from evenwall.service.port import RunPort


class Learning:
    """Reads measured walls in the background and keeps what they said with the record."""

    def __init__(self, run: RunPort, work: ReadWall | None, executor: Executor) -> None:
        """Set up the work. work: `planning.measured_wall.read_wall`; None without a film."""
        self._run, self._work, self._executor = run, work, executor

    async def taught(self, casting: Casting) -> dict[str, Any]:
        """Return the results of the mould's proven castings, as arguments of a planner.

        Walls that were not read yet are read first: a few seconds for each casting, once.
        """
        records = self._run.records
        if self._work is not None:
            some = await records.read(lambda journal: unread_of(journal, casting))
            if some:
                loop = asyncio.get_running_loop()
                notes = await loop.run_in_executor(self._executor, read_all, some, self._work)
                for name, text in notes.items():
                    records.keep(name, text)
                await records.flush()
        taught = await records.read(lambda journal: taught_by(journal, casting.mesh, casting.resin))
        return {"taught": taught} if taught.castings else {}
