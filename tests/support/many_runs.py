"""A record with many runs: one recorded casting, copied under other names."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

from evenwall.model import Event
from evenwall.records.journal import Journal
from evenwall.records.rows import Batch

EARLIER = Path(__file__).parents[1] / "run" / "earlier_record.json.gz"


def fill(path: Path, count: int) -> None:
    """Write `count` runs into a new record."""
    kept = json.loads(gzip.decompress(EARLIER.read_bytes()))
    plan = json.dumps(kept["plan"])
    journal, number = Journal(path), 0
    for run in range(count):
        batch, name = Batch(), f"20260101-{run:06d}-1"
        batch.plans[name] = plan
        for row in kept["events"]:
            number += 1
            event = Event(**{**row, "event_id": number, "run_id": name})
            batch.events.append((event, None))
        journal.write(batch)
    journal.close()
