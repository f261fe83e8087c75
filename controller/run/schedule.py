"""Times at which a person's steps are due, on the rig's clock, computed from the plan."""

from __future__ import annotations

from statistics import median

from evenwall.model import Plan, Step
from evenwall.planning.batch import CLOSE_UP_S, POUR_S, turn_by_s
from evenwall.run.state import RunState
from evenwall.run.user_messages import WAIT_FOR_AGE, WAIT_FOR_COAT, WAIT_TO_THICKEN

WEIGH_S = 120.0  # turning up and weighing, before the parts meet (common practice, no source)


def close_up_s(state: RunState) -> float:
    """Time that closing up takes, from the end of the pour to the start of turning, in s.

    This is the median of the casting's earlier coats. Without any, it is the median of this maker's
    earlier castings, and without those the usual time.
    """
    taken = [
        coat.spin_from_s - coat.poured_s
        for coat in state.coats[: state.index]
        if coat.spin_from_s is not None and coat.poured_s is not None
    ]
    if taken:
        return median(taken)
    return CLOSE_UP_S if state.usual_close_up_s is None else state.usual_close_up_s


def pour_deadline_s(state: RunState) -> float:
    """Latest end of the pour on the coat's clock that keeps both the resin and the wall, in s.

    The mix must be poured before it thickens (`pour_by_s`), and early enough that turning can begin
    by `turn_by_s` after closing up.
    """
    clock = state.coat_plan.clock
    return min(clock.pour_by_s, turn_by_s(clock) - close_up_s(state))


def next_from_s(state: RunState) -> float | None:
    """Earliest time at which the next step may be taken (rest and cure)."""
    met_s = state.coat.parts_met_s
    if met_s is None:
        return None
    if state.step is Step.REST:
        return met_s + pour_gap_s(state.plan, state.index) - WEIGH_S
    if state.step is Step.CURE:
        return met_s + demould_after_s(state.plan)
    return None


def pour_gap_s(plan: Plan, index: int) -> float:
    """Time between the mixing of one coat and of the next, for the earliest pour allowed."""
    after = plan.coats[index + 1].clock
    return plan.coats[index].clock.next_pour_from_s - (after.spin_from_s - CLOSE_UP_S)


def wait_to_pour(state: RunState, now_s: float) -> tuple[float, str] | None:
    """End of the mix's wait in its cup, and the reason; None when it does not wait.

    The mix waits as long as in the plan or the proven coat, and until the coat below is ready.
    Pouring takes time and therefore begins earlier. A mix that would pass its pour deadline is
    poured before that: a wrinkle is the lesser harm.
    """
    met_s, clock = state.coat.parts_met_s, state.coat_plan.clock
    if met_s is None or state.step is not Step.POUR:
        return None
    why = WAIT_TO_THICKEN if state.follower is None else WAIT_FOR_AGE
    waits = [(met_s + clock.pour_from_s, why)]
    below_s = state.coats[state.index - 1].parts_met_s if state.index else None
    if below_s is not None:
        ready_s = below_s + state.plan.coats[state.index - 1].clock.next_pour_from_s
        waits.append((ready_s - POUR_S, WAIT_FOR_COAT))
    if state.coat.lost_met_s is not None:  # the remains of the lost coat must carry this one
        waits.append((state.coat.lost_met_s + clock.next_pour_from_s - POUR_S, WAIT_FOR_COAT))
    until_s, why = max(waits)
    until_s = min(until_s, met_s + pour_deadline_s(state))
    return (until_s, why) if now_s < until_s else None


def demould_after_s(plan: Plan) -> float:
    """Time from the mixing of the last coat to the opening of the mould."""
    gaps_s = sum(pour_gap_s(plan, index) for index in range(len(plan.coats) - 1))
    return plan.totals.demould_from_min * 60.0 - gaps_s
