"""A run under way, as a plan: coats as weighed and turned so far, and the others as planned."""

from __future__ import annotations

from evenwall.history.recorded import Recorded
from evenwall.history.turned import ramps_of, stretches
from evenwall.model import CoatPlan, Plan, Ramp
from evenwall.run.fate import Fate, fate, pace
from evenwall.run.state import Coat, RunState


def as_laid(run: Recorded) -> tuple[Plan, tuple[int, ...]]:
    """Return the plan of the coats laid and to come, and the numbers of the lost coats."""
    plan, state = run.plan, run.state
    coats, lost = [], []
    for index, parts in enumerate(stretches(run)):
        planned, coat = plan.coats[index], state.coats[index]
        if fate(planned, coat) is Fate.LOST:
            lost.append(coat.coat)
        elif coat.poured_s is not None and coat.parts_met_s is not None:
            if parts and coat.spin_from_s is not None:
                ramps = (*ramps_of(state, index, parts), *_to_come(state, index))
                planned = _as_turned(planned, coat, coat.spin_from_s - coat.parts_met_s, ramps)
            planned = _as_weighed(planned, coat)
        coats.append(planned)
    return plan.model_copy(update={"coats": tuple(coats)}), tuple(lost)


def _to_come(state: RunState, index: int) -> tuple[Ramp, ...]:
    """Turning that is still to come for the present coat, if it turns."""
    turning = state.turning
    if index != state.index or turning is None or turning.ending:
        return ()
    left_s = state.plan.coats[index].clock.spin_until_s
    profile = state.profile_of(index)
    rows, _ = profile.onwards(turning.profile_s, left_s)
    leg = profile.leg_at(turning.profile_s)
    return tuple(
        Ramp(leg=leg, duration_s=duration_s, major_rpm=major, minor_rpm=minor)
        for duration_s, major, minor in rows
    )


def _as_turned(planned: CoatPlan, coat: Coat, begun_s: float, ramps: tuple[Ramp, ...]) -> CoatPlan:
    """Return the coat with its actual start, turning and pace. begun_s: on the coat's clock."""
    slower = pace(planned, coat)
    return planned.model_copy(
        update={
            "clock": planned.clock.model_copy(update={"spin_from_s": begun_s}),
            "ramps": ramps,
            "viscosity": tuple((time_s * slower, mu) for time_s, mu in planned.viscosity),
        }
    )


def _as_weighed(planned: CoatPlan, coat: Coat) -> CoatPlan:
    """Return the coat with its actual weights."""
    part_a_g, part_b_g = coat.part_a_g or planned.part_a_g, coat.part_b_g or planned.part_b_g
    left_g = planned.cup_left_g if coat.cup_left_g is None else coat.cup_left_g
    stays_g = part_a_g + part_b_g - left_g - planned.spill_g
    return planned.model_copy(
        update={
            "mix_g": part_a_g + part_b_g,
            "part_a_g": part_a_g,
            "part_b_g": part_b_g,
            "cup_left_g": left_g,
            "lid_g": stays_g * (1.0 - planned.wall_share),
        }
    )
