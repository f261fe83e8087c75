"""Between two coats: what was really laid, and what a new plan for the rest changes."""

from __future__ import annotations

from evenwall.model import Plan, Step, parse
from evenwall.planning import CoatDone
from evenwall.planning.in_words import clock_words
from evenwall.run.events import PlanRest
from evenwall.run.schedule import next_from_s
from evenwall.run.state import Coat, RunState

# A fraction of the coat's rest may be spent on planning the next ones, and no more than so much.
SHARE_OF_REST, MOST_S = 0.7, 120.0
NOTICE = "planned_again"  # on the sheet, for as long as the next coat may still be changed
# What counts as the coat's own pace: found by a probe or a finger, not by the model.
SEEN = ("probe", "touch")


def laid(state: RunState) -> tuple[CoatDone, ...]:
    """The coats that are done, as weighed, spilt and seen; where nothing was noted, as planned."""
    found = []
    for coat, planned in zip(state.coats, state.plan.coats, strict=True):
        if not coat.done:
            break
        mix_g = planned.mix_g
        if coat.part_a_g is not None and coat.part_b_g is not None:
            mix_g = coat.part_a_g + coat.part_b_g
        found.append(
            CoatDone(
                mix_g=mix_g,
                cup_left_g=planned.cup_left_g if coat.cup_left_g is None else coat.cup_left_g,
                spill_g=planned.spill_g if coat.spill_g is None else coat.spill_g,
                pace=_pace(coat, planned.clock.gel_expected_s),
            )
        )
    return tuple(found)


def _pace(coat: Coat, expected_s: float) -> float:
    if coat.gel_coat_s is None or coat.gel_how not in SEEN:
        return 1.0
    return coat.gel_coat_s / expected_s


def may_plan_again(state: RunState | None) -> bool:
    """Whether a coat has been laid and the next one is not yet begun. A replay stays as it is."""
    return state is not None and state.step is Step.REST and state.replay_of is None


def budget_s(state: RunState, now_s: float, speed: float) -> float:
    """Seconds of our time that a search may take before the next coat is weighed; 0: none."""
    from_s = next_from_s(state)
    left_s = 0.0 if from_s is None else (from_s - now_s) / speed
    return max(0.0, min(SHARE_OF_REST * left_s, MOST_S))


def rest_of(plan: Plan, coats_done: int) -> PlanRest:
    """Return what of a new plan the record needs, once `coats_done` coats are laid."""
    kept = dict.fromkeys(PlanRest.model_fields, True) | {
        "coats": set(range(coats_done, len(plan.coats)))
    }
    # By way of JSON, so that the run folds the very values that a restart reads.
    rest = plan.model_dump(mode="json", exclude_none=True, include=kept)
    return parse(PlanRest, rest, "the new plan")


def what_changed(old: Plan, new: Plan, coats_done: int) -> str:
    """One sentence for the person at the bench: the next coat, and the number of coats."""
    before, after = old.coats[coats_done], new.coats[coats_done]
    said = (
        f"The coats to come were planned again: coat {after.coat} is now "
        f"{after.mean_mm:.2f} mm, weigh A {after.part_a_g:.1f} g + B {after.part_b_g:.1f} g "
        f"(was {before.part_a_g:.1f} + {before.part_b_g:.1f}), gel expected "
        f"{clock_words(after.clock.gel_expected_s)} (was "
        f"{clock_words(before.clock.gel_expected_s)})"
    )
    if len(new.coats) != len(old.coats):
        said += f"; {len(new.coats)} coats instead of {len(old.coats)}"
    return said + "."
