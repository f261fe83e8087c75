"""Rows of the record: plans, events and samples as they are written and read."""

from __future__ import annotations

import json
from collections import deque
from dataclasses import dataclass, field

from pydantic import ValidationError

from evenwall.errors import RecordError
from evenwall.model import Event, Plan, Sample

SAMPLE_COLUMNS = tuple(Sample.model_fields)


@dataclass
class Batch:
    """Rows that are numbered but not yet in the file, oldest first."""

    plans: dict[str, str] = field(default_factory=dict)
    events: deque[tuple[Event, str | None]] = field(default_factory=deque)
    samples: deque[tuple[str, Sample]] = field(default_factory=deque)
    notes: dict[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.plans or self.events or self.samples or self.notes)


def plan_of_record(run_id: str, text: str) -> Plan:
    """Return a recorded plan. Raises RecordError.

    This also migrates plans of earlier and later releases: a field that this release does not know
    is dropped. Everything else is checked as strictly as a plan from the network.
    """
    try:
        try:
            return Plan.model_validate_json(text)
        except ValidationError as error:
            unknown = [one["loc"] for one in error.errors() if one["type"] == "extra_forbidden"]
            data = json.loads(text)
            for *way, name in unknown:
                holder = data
                for part in way:
                    holder = holder[part]
                del holder[name]
            return Plan.model_validate_json(json.dumps(data))
    except (ValueError, LookupError, TypeError, RecursionError) as error:
        why = str(error).splitlines()[0] if str(error) else "empty"
        if isinstance(error, ValidationError):
            first = error.errors()[0]
            why = f"{'.'.join(map(str, first['loc'])) or 'plan'}: {first['msg']}"[:200]
        raise RecordError(f"the plan of run {run_id} cannot be read: {why}") from None


def row_id(row: Event | Sample) -> int:
    return row.event_id if isinstance(row, Event) else row.sample_id
