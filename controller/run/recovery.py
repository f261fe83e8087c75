"""Reads an unfinished run back from the journal, which may be damaged."""

from __future__ import annotations

from dataclasses import dataclass

from evenwall.errors import InputError, RecordError
from evenwall.model import Event, Plan, Sample
from evenwall.model.seal import digest
from evenwall.records.records import Records
from evenwall.run.folding import taken_up
from evenwall.run.gate import carries_on
from evenwall.run.state import RunState

LOST = (
    "The last casting cannot be resumed ({error}). Its rows stay in the record. If the frame "
    "turns, it keeps its speed for the time it was granted; stop it when the coat holds."
)


@dataclass(frozen=True)
class Unfinished:
    """A run to be continued: its state, rows with their keys, samples, and a notice of losses."""

    state: RunState
    plan: Plan
    rows: list[tuple[Event, str | None]]
    samples: list[Sample]
    notice: str = ""  # empty: every row could be read


async def unfinished(records: Records, now_s: float, rig_name: str) -> Unfinished | None:
    """Fold the unfinished run; None when there is none.

    Raises RecordError if its plan or all its rows are lost, or if it cannot be continued.
    """
    run_id = await records.read(lambda journal: journal.unfinished())
    if run_id is None:
        return None
    try:
        plan = await records.read(lambda journal: journal.plan(run_id))
    except InputError as error:
        raise RecordError(f"its plan is not in the record: {error}") from None
    rows = await records.read(lambda journal: journal.keyed_events(run_id))
    state, left_out = taken_up(run_id, plan, (event for event, _ in rows))
    carries_on(state, now_s, rig_name)
    kept = [(event, key) for event, key in rows if event.event_id not in left_out]
    samples = await records.read(lambda journal: journal.samples(run_id))
    wrong = {f"event {number}": why for number, why in left_out.items()}
    wrong |= records.journal.unread
    if plan.sha256 and plan.sha256 != digest(plan):
        wrong["the plan"] = (
            "its content does not match its seal: compare the coats with your printed plan"
        )
    return Unfinished(state, plan, kept, samples, _left_out(wrong))


def _left_out(wrong: dict[str, str]) -> str:
    if not wrong:
        return ""
    named = "; ".join(f"{row} ({why})" for row, why in list(wrong.items())[:3])
    more = f" and {len(wrong) - 3} more" if len(wrong) > 3 else ""
    return (
        "Part of this casting's record is damaged. These rows cannot be read and are left out: "
        f"{named}{more}. "
        "The casting goes on from the state of the board: check the step, the coat and the weights."
    )
