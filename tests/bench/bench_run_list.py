"""The list of 200 runs: folded once, and read from its summaries at every later start."""

from __future__ import annotations

import asyncio
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from evenwall.records.records import Records
from evenwall.service.run_list import RunList
from tests.support.many_runs import fill

RUNS = 200


def list_once(path: Path) -> float:
    """Processor seconds of a fresh start's first list, all threads together."""

    async def work() -> int:
        records = Records(path)
        runs = RunList(cast(Any, SimpleNamespace(records=records, state=None)))
        found = len(await runs.cards())
        await records.close()
        return found

    before_s = time.process_time()
    assert asyncio.run(work()) == RUNS
    return time.process_time() - before_s


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.sqlite"
        fill(path, RUNS)
        folding_s = list_once(path)
        reading_s = min(list_once(path) for _ in range(3))
    print(
        f"{RUNS} runs: {1000 * folding_s:.0f} ms of processor time to fold them all, "
        f"{1000 * reading_s:.0f} ms from their summaries ({folding_s / reading_s:.0f} times less)"
    )


if __name__ == "__main__":
    main()
