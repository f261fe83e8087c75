"""Checks within one plan: numbers are in order, times rise, weights add up."""

from __future__ import annotations

import itertools

from evenwall.errors import InputError, naming
from evenwall.model.bounds import LONGEST_S
from evenwall.model.plan import CoatClock, CoatPlan, Plan
from evenwall.model.resin import Sheet, agreeing

ROUNDING_G = 0.2  # rounding error of weights that are given to a tenth of a gram
SUM_SHARE = 0.01  # largest difference between a mix and its parts, as a share of the mix
RATIO_PERCENT = 5.0  # beyond this error no gel is predicted: weighing.REFUSE_PERCENT
SHORTEST_S = 1e-3  # shortest ramp: the board's own time is finer, but no frame follows it
LEAST_GEL_S = 10.0  # from when the parts meet: nobody pours a resin that gels sooner


def whole(plan: Plan) -> None:
    """Raise InputError if a film cannot be computed from a plan's coats."""
    if not plan.coats:
        raise InputError("coats", 0, "needs at least one coat")
    for number, coat in enumerate(plan.coats, 1):
        if coat.coat != number:
            raise InputError(f"coats[{number}].coat", coat.coat, f"must be {number}, in order")
        with naming(within=f"coats[{number}]."):
            _ramps_turn(coat)
            if coat.mix_g <= coat.cup_left_g:
                limit = f"must be above what stays in the cup, {coat.cup_left_g:g} g"
                raise InputError("mix_g", f"{coat.mix_g:g}", limit, unit="g")


def sound(plan: Plan) -> None:
    """Raise InputError if a run cannot follow a plan: like `whole`, and for times that do not rise
    and weights that do not match the mix or the resin's ratio."""
    whole(plan)
    agreeing(plan.casting.resin.sheet)
    for number, coat in enumerate(plan.coats, 1):
        with naming(within=f"coats[{number}]."):
            _weights_agree(coat, plan.casting.resin.sheet)
            with naming(within="clock."):
                _times_rise(coat.clock)
            _thickens_in_time(coat)
    for before, after in itertools.pairwise(plan.coats):
        gap_s = before.clock.next_pour_from_s - after.clock.spin_from_s
        if gap_s <= 0.0:
            limit = f"must be above the next coat's spin_from_s, {after.clock.spin_from_s:g}"
            shown = f"{before.clock.next_pour_from_s:g}"
            field = f"coats[{before.coat}].clock.next_pour_from_s"
            raise InputError(field, shown, limit, unit="s")


def _ramps_turn(coat: CoatPlan) -> None:
    if not coat.ramps:
        raise InputError("ramps", 0, "needs at least one ramp")
    for number, ramp in enumerate(coat.ramps, 1):
        if ramp.duration_s < SHORTEST_S:
            limit = f"must be at least {SHORTEST_S:g}"
            raise InputError(f"ramps[{number}].duration_s", ramp.duration_s, limit, unit="s")
    if not any(ramp.major_rpm or ramp.minor_rpm for ramp in coat.ramps):
        raise InputError("ramps", "standing", "must turn at least one axis")
    total_s = sum(ramp.duration_s for ramp in coat.ramps)
    if total_s > LONGEST_S:
        limit = f"must last at most {LONGEST_S:g} together"
        raise InputError("ramps", f"{total_s:g}", limit, unit="s")


def _weights_agree(coat: CoatPlan, sheet: Sheet) -> None:
    if coat.mix_g <= coat.cup_left_g + coat.spill_g + coat.lid_g:
        limit = f"must be below what is poured, {coat.mix_g - coat.cup_left_g - coat.lid_g:g} g"
        raise InputError("spill_g", f"{coat.spill_g:g}", limit, unit="g")
    both_g = coat.part_a_g + coat.part_b_g
    if abs(both_g - coat.mix_g) > SUM_SHARE * coat.mix_g + ROUNDING_G:
        limit = f"must be the sum of its two parts, {both_g:g} g"
        raise InputError("mix_g", f"{coat.mix_g:g}", limit, unit="g")
    due_g = coat.part_a_g * sheet.mix_ratio_b_per_100a / 100.0
    if abs(coat.part_b_g - due_g) > RATIO_PERCENT / 100.0 * due_g + ROUNDING_G:
        limit = (
            f"must be within {RATIO_PERCENT:g} % of {due_g:.1f} g, by the resin's "
            f"{sheet.mix_ratio_b_per_100a:g} g of B to 100 g of A"
        )
        raise InputError("part_b_g", f"{coat.part_b_g:g}", limit, unit="g")


_RISING = (
    ("pour_from_s", "pour_by_s"),
    ("pour_from_s", "spin_from_s"),
    ("spin_from_s", "turn_by_s"),
    ("spin_from_s", "gel_high_s"),
    ("gel_low_s", "gel_expected_s"),
    ("gel_expected_s", "gel_high_s"),
    ("pour_by_s", "gel_high_s"),
    ("spin_from_s", "spin_until_s"),
    ("next_pour_from_s", "next_pour_until_s"),
    ("gel_low_s", "next_pour_from_s"),
)


def _times_rise(clock: CoatClock) -> None:
    for before, after in _RISING:
        first, second = getattr(clock, before), getattr(clock, after)
        if second is not None and first > second:
            raise InputError(
                after, f"{second:g}", f"must not be before {before}, {first:g}", unit="s"
            )
    if clock.gel_low_s < LEAST_GEL_S:
        limit = f"must be at least {LEAST_GEL_S:g}"
        raise InputError("gel_low_s", f"{clock.gel_low_s:g}", limit, unit="s")
    if clock.pour_by_s < 1.0:
        raise InputError("pour_by_s", f"{clock.pour_by_s:g}", "must be at least 1", unit="s")


def _thickens_in_time(coat: CoatPlan) -> None:
    for before, after in itertools.pairwise(coat.viscosity):
        if after[0] <= before[0]:
            limit = f"must rise above the row before, {before[0]:g}"
            raise InputError("viscosity time_s", f"{after[0]:g}", limit, unit="s")
