"""A run is taken up from its journal, which may be damaged: what does not fit is left out."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from typing import Any

from evenwall.errors import InputError, RecordError
from evenwall.model import Event, Plan
from evenwall.run.state import RunState, begin, fold

# Raised by a row whose data are not what its kind has: such a row is left out, by name.
UNFIT = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError, InputError)


def taken_up(run_id: str, plan: Plan, events: Iterable[Event]) -> tuple[RunState, dict[int, str]]:
    """Return the state after a journal that may be damaged, and the events left out, with why.

    A journal without its first row begins where its next row stands. Raises RecordError when no
    row is left, or the plan cannot be begun.
    """
    rows, left_out = list(events), dict[int, str]()
    if not rows:
        raise RecordError(f"run {run_id} has no row that can be read")
    first = rows.pop(0) if rows[0].kind == "started" else rows[0]
    try:
        state = begin(run_id, plan, _as_begun(first))
    except UNFIT as error:
        raise RecordError(f"run {run_id} cannot be begun: {error}") from None
    for event in rows:
        try:
            after = fold(state, event.kind, event.at_s, event.data)
            _sane(after)
        except UNFIT as error:
            left_out[event.event_id] = f"{event.kind[:40]}: {error}"[:120]
        else:
            state = after
    return state, left_out


def _as_begun(first: Event) -> Event:
    """The row as a beginning: what it does not say is taken for the safer."""
    replay = first.data.get("replay_of")
    data = {
        "simulated": first.data.get("simulated", False) is True,
        "replay_of": replay if isinstance(replay, str) else None,
    }
    return first.model_copy(update={"data": data})


def _sane(state: RunState) -> None:
    """Raises ValueError for a state that no run can be in."""
    if not 0 <= state.index < len(state.coats):
        raise ValueError(f"there is no coat {state.index + 1}")
    coat, turning = state.coat, state.turning
    numbers: list[Any] = [
        coat.part_a_g, coat.part_b_g, coat.gel_coat_s, coat.safe_s, coat.cup_left_g, coat.spill_g,
    ]  # fmt: skip
    if turning is not None:
        numbers += [turning.profile_s, turning.ends_s, *itertools.chain(*turning.ramps)]
        numbers += turning.base_steps
    for number in numbers:
        if number is None:
            continue
        if not isinstance(number, int | float) or not abs(number) < 1e15:
            raise ValueError(f"{number!r} is no figure of a run")
    for word in (state.halted, state.moving, state.parked, coat.gel_how, state.reason):
        if not isinstance(word, str):
            raise ValueError(f"{word!r} is no word of a run")
