"""Wall as it was really laid, computed from the record."""

from __future__ import annotations

from evenwall.model import CoatView, WallSummary
from evenwall.run import user_messages as plain
from evenwall.run.fate import Fate, fate
from evenwall.run.state import Coat, RunState

# A poured coat is still standing in the mould after the time at which turning had to begin.
STANDS_LATE = {"late_start", "tip_out", "set_in_mould"}

LaidKey = tuple[tuple[int, str, float | None, float, float | None], ...]


def fates(state: RunState) -> tuple[Fate, ...]:
    """Fate of every coat of the run."""
    return tuple(
        fate(planned, coat) for planned, coat in zip(state.plan.coats, state.coats, strict=True)
    )


def laid_key(state: RunState) -> LaidKey:
    """Return the recorded facts that change the wall; empty while it is the planned wall."""
    found = fates(state)
    if not any(one in (Fate.CHANGED, Fate.LOST) for one in found):
        return ()
    return tuple(
        (coat.coat, one.value, coat.spin_from_s, coat.stood_s, coat.gel_coat_s)
        for coat, one in zip(state.coats, found, strict=True)
        if one is not Fate.OPEN
    )


def laid_mm(state: RunState, coat: Coat) -> float | None:
    """Mean wall that a coat adds, by its weights; 0 for a lost coat, None before the pour."""
    planned = state.plan.coats[coat.coat - 1]
    if coat.poured_s is None:
        return None
    if fate(planned, coat) is Fate.LOST:
        return 0.0
    mixed_g = planned.mix_g
    if coat.part_a_g is not None and coat.part_b_g is not None:
        mixed_g = coat.part_a_g + coat.part_b_g
    left_g = planned.cup_left_g if coat.cup_left_g is None else coat.cup_left_g
    spill_g = planned.spill_g if coat.spill_g is None else coat.spill_g
    return max(0.0, planned.mean_mm * (mixed_g - left_g - spill_g) / planned.in_mould_g)


def coat_view(state: RunState, coat: Coat) -> CoatView:
    """Return one coat as a screen shows it."""
    plan = state.plan.coats[coat.coat - 1]
    return CoatView(
        coat=coat.coat,
        planned_mm=plan.mean_mm,
        planned_mix_g=plan.mix_g,
        # Rounded to 0.1 g as in the sentence, so that both agree in ounces too.
        planned_part_a_g=round(plan.part_a_g, 1),
        planned_part_b_g=round(plan.part_b_g, 1),
        part_a_g=coat.part_a_g,
        part_b_g=coat.part_b_g,
        parts_met_s=coat.parts_met_s,
        poured_s=coat.poured_s,
        gel_planned_s=plan.clock.gel_expected_s,
        gel_detected_s=coat.gel_coat_s,
        steps_expected=coat.steps_expected,
        steps_counted=coat.steps_counted,
        fate=fate(plan, coat).value,
        laid_mm=laid_mm(state, coat),
        done=coat.done,
    )


def wall_view(state: RunState, computed: tuple[LaidKey, WallSummary] | None) -> WallSummary:
    """Return the wall to show: the planned one, or the one computed from the record.

    A replay turns as the proven run turned. If somebody was late in that run, the replay's wall is
    not the planned one. computed: the wall computed again, with the key it was computed for. A
    figure that contradicts the record is never shown.
    """
    planned, key = state.plan.wall, laid_key(state)
    if STANDS_LATE & set(state.alerts):
        return WallSummary(
            target_mm=planned.target_mm, mean_mm=planned.mean_mm, note=plain.WALL_LATE
        )
    if key:
        if computed is not None and computed[0] == key:
            return computed[1]
        mean_mm = sum(
            planned_coat.mean_mm if laid is None else laid
            for planned_coat, laid in zip(
                state.plan.coats, (laid_mm(state, coat) for coat in state.coats), strict=True
            )
        )
        note = plain.WALL_AGAIN
        return WallSummary(target_mm=planned.target_mm, mean_mm=mean_mm, note=note)
    if state.replay_of is None:
        return planned
    return WallSummary(
        target_mm=planned.target_mm, mean_mm=planned.mean_mm, note=plain.WALL_AS_PROVEN
    )
