"""Replanning between two coats: the coats as laid, and the changes that a new plan makes."""

from __future__ import annotations

from evenwall.model import Plan, Step, parse
from evenwall.model.details import FIRST_ANSWER
from evenwall.planning import CoatDone
from evenwall.planning.in_words import clock_words
from evenwall.run.events import PlanRest
from evenwall.run.schedule import next_from_s
from evenwall.run.state import Coat, RunState

# Share of a coat's rest that planning the next coats may take, and the most seconds.
SHARE_OF_REST, MOST_S = 0.7, 120.0
NOTICE = "planned_again"  # on the sheet, for as long as the next coat may still be changed
FIRST_NOTICE = "first_answer"  # for as long as the full plan is being searched for
BEFORE_POUR = (Step.PREPARE, Step.WEIGH, Step.MIX, Step.DEGAS)
SAME_G = 0.1  # no new weighing if weights agree within this: resolution of a workshop scale
# Sources that count for the coat's own pace: a probe or a finger, not the model.
SEEN = ("probe", "touch")


def laid(state: RunState) -> tuple[CoatDone, ...]:
    """Coats that are done, as weighed, spilt and observed; as planned if nothing was noted."""
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
    """Whether a coat has been laid and the next one has not begun. A replay is never replanned."""
    return state is not None and state.step is Step.REST and state.replay_of is None


def budget_s(state: RunState, now_s: float, speed: float) -> float:
    """Seconds of real time that a search may take before the next coat is weighed; 0: none."""
    from_s = next_from_s(state)
    left_s = 0.0 if from_s is None else (from_s - now_s) / speed
    return max(0.0, min(SHARE_OF_REST * left_s, MOST_S))


def rest_of(plan: Plan, coats_done: int) -> PlanRest:
    """Return the parts of a new plan that the record needs, once `coats_done` coats are laid."""
    kept = dict.fromkeys(PlanRest.model_fields, True) | {
        "coats": set(range(coats_done, len(plan.coats)))
    }
    # Through JSON, so that the run folds the same values that a restart reads.
    rest = plan.model_dump(mode="json", exclude_none=True, include=kept)
    return parse(PlanRest, rest, "the new plan")


def before_first_pour(state: RunState) -> bool:
    """Whether no coat has been poured yet, so that a plan can replace the whole of the old one."""
    return state.index == 0 and state.step in BEFORE_POUR and state.coat.poured_s is None


def cannot_take_over(state: RunState, new: PlanRest) -> str:
    """Reason why the full plan cannot replace the first answer now; empty if it can."""
    if not state.plan.details.get(FIRST_ANSWER):
        return "This run was not started from a first answer."
    if not before_first_pour(state):
        return "The full plan came after the pour: coat 1 follows the first answer."
    now, then = state.coat_plan, new.coats[0]
    weighed = state.coat.weighings or state.coat.part_a_g is not None
    apart_g = max(abs(now.part_a_g - then.part_a_g), abs(now.part_b_g - then.part_b_g))
    if weighed and apart_g > SAME_G:
        return (
            f"The full plan calls for A {then.part_a_g:.1f} g + B {then.part_b_g:.1f} g for "
            f"coat 1, but it is already weighed by the first answer and follows that."
        )
    return ""


def with_later_coats(plan: Plan, better: Plan, coats_done: int) -> Plan:
    """Return the plan with the remaining coats and their recipes taken from a better plan."""
    recipes = (
        *plan.details.get("recipes", ())[:coats_done],
        *better.details.get("recipes", ())[coats_done:],
    )
    return better.model_copy(
        update={
            "coats": (*plan.coats[:coats_done], *better.coats[coats_done:]),
            "details": {**better.details, "recipes": recipes},
        }
    )


def what_is_better(old: Plan, new: Plan) -> str:
    """Sentence for the person at the bench: the full plan is ready, and these are its changes."""
    said = "The full plan takes over from the first answer"
    if old.wall.min_mm is not None and new.wall.min_mm is not None:
        said += f": thinnest patch {new.wall.min_mm:.2f} mm (was {old.wall.min_mm:.2f} mm)"
    pairs = [
        (after, before)
        for after, before in zip(new.coats, old.coats, strict=False)
        if max(abs(after.part_a_g - before.part_a_g), abs(after.part_b_g - before.part_b_g))
        > SAME_G
    ]
    if len(new.coats) != len(old.coats):
        said += f"; {len(new.coats)} coats instead of {len(old.coats)}"
    for after, before in pairs:
        said += (
            f"; coat {after.coat} weighs A {after.part_a_g:.1f} g + B {after.part_b_g:.1f} g "
            f"(was {before.part_a_g:.1f} g + {before.part_b_g:.1f} g)"
        )
    if not pairs and len(new.coats) == len(old.coats):
        said += "; the weights stay"
    return said + "."


def what_changed(old: Plan, new: Plan, coats_done: int) -> str:
    """Sentence for the person at the bench: changes to the next coat and the number of coats."""
    before, after = old.coats[coats_done], new.coats[coats_done]
    said = (
        f"The remaining coats were planned again: coat {after.coat} is now "
        f"{after.mean_mm:.2f} mm, weigh A {after.part_a_g:.1f} g + B {after.part_b_g:.1f} g "
        f"(was {before.part_a_g:.1f} g + {before.part_b_g:.1f} g), gel expected "
        f"{clock_words(after.clock.gel_expected_s)} (was "
        f"{clock_words(before.clock.gel_expected_s)})"
    )
    if len(new.coats) != len(old.coats):
        said += f"; {len(new.coats)} coats instead of {len(old.coats)}"
    return said + "."
