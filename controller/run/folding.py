"""Fold the rows of a journal into the state of its run."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Iterable
from typing import Any

from evenwall.errors import InputError, RecordError
from evenwall.model import Event, Plan
from evenwall.run.events import Started, read
from evenwall.run.motion import Profile
from evenwall.run.replay import Follower
from evenwall.run.state import Coat, RunState


def begin(run_id: str, plan: Plan, at_s: float, started: Started) -> RunState:
    """Return the state that the first event of a run makes."""
    return RunState(
        run_id=run_id,
        plan=plan,
        simulated=started.simulated,
        started_s=at_s,
        replay_of=started.replay_of,
        usual_close_up_s=started.close_up_s,
        entered_s=at_s,
        profiles=tuple(Profile.of(planned) for planned in plan.coats),
        followers=Follower.all_of(plan),
        coats=tuple(Coat(coat=planned.coat) for planned in plan.coats),
    )


def fold_all(run_id: str, plan: Plan, rows: Iterable[Event]) -> RunState:
    """Return the state after a whole journal, whose first row is `started`. Raises InputError."""
    events = iter(rows)
    first = next(events)
    state = begin(run_id, plan, first.at_s, Started.of(first))
    for row in events:
        state = read(row).fold(state, row.at_s)
    return state


# Errors raised by a row whose data do not fit its kind. Such a row is left out and named.
UNFIT = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError, InputError)


def taken_up(run_id: str, plan: Plan, events: Iterable[Event]) -> tuple[RunState, dict[int, str]]:
    """Return the state after a journal that may be damaged, and the rows left out with reasons.

    If the first row is missing, the run begins at the next one. Raises RecordError if no row is
    left or the plan cannot be begun.
    """
    rows, left_out = list(events), dict[int, str]()
    if not rows:
        raise RecordError(f"run {run_id} has no row that can be read")
    first = rows[0]
    try:
        state = begin(run_id, plan, first.at_s, _beginning(first))
    except UNFIT as error:
        raise RecordError(f"run {run_id} cannot be begun: {error}") from None
    for row in rows[1:] if first.kind == Started.kind else rows:
        try:
            after = read(row).fold(state, row.at_s)
            _sane(after)
        except UNFIT as error:
            left_out[row.event_id] = f"{row.kind[:40]}: {error}"[:120]
        else:
            state = after
    return state, left_out


def _beginning(first: Event) -> Started:
    """Return the first row as the beginning of the run; if unreadable, assume a real run."""
    if first.kind == Started.kind:
        with contextlib.suppress(InputError):
            return Started.of(first)
    return Started(simulated=False)


def _sane(state: RunState) -> None:
    """Raise ValueError for a state that no run can be in."""
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
