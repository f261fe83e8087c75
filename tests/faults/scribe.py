"""Write a short journal and print every acknowledged row, line by line: the victim of cut.c.

One process under the faulty file layer forks a victim for every position of the cut.
"""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path

from evenwall.records.records import Records

BATCHES = 12
PER_BATCH = 3
CURVE = 10  # samples written together after each batch, as they are once they have waited


def rows_of_each_write() -> list[list[str]]:
    """The kinds of the rows of each write, in the order of their numbers."""
    return [
        kinds
        for _ in range(BATCHES)
        for kinds in (["event", "sample"] * PER_BATCH, ["sample"] * CURVE)
    ]


async def write(path: Path) -> None:
    records = Records(path)
    for batch in range(BATCHES):
        ids = []
        for row in range(PER_BATCH):
            kind = "started" if batch == row == 0 else "noted"
            data = {"text": f"row {batch}.{row} " + "x" * 200}
            event = records.event("r", float(batch), "", kind, data, f"{batch}.{row}")
            ids.append(event.event_id)
            records.sample("r", {"at_s": float(batch), "coat": 1, "probe_degC": 21.0})
        if await records.flush():
            # Written directly to the pipe, so that nothing printed before the process died is lost.
            print("written", *ids, flush=True)
        else:
            print("waiting", *ids, records.trouble, flush=True)
        curve = [
            records.sample("r", {"at_s": batch + row / CURVE, "coat": 1}).sample_id
            for row in range(CURVE)
        ]
        print("written" if await records.flush() else "waiting", *curve, flush=True)
    await records.close()


def victim(folder: Path, at: int) -> int:
    """Run a process that dies, or is refused, at write number `at`; return its exit code."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    os.environ["CUT_AT"] = str(at)
    said = os.open(folder / f"said-{at}", os.O_WRONLY | os.O_CREAT)
    os.dup2(said, 1)
    asyncio.run(write(folder / f"cut-{at}.sqlite"))
    os._exit(0)


def main(folder: Path, first: int, stride: int) -> None:
    """Cut at first, first + stride, ... until a victim reaches its end."""
    at = first
    while victim(folder, at) == 9:
        at += stride


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
