"""A coat's spin that changes while it turns: the switch is exact, the gate refuses what the frame
must not turn, and an answer that comes too late changes nothing."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from pydantic import ValidationError

from evenwall.errors import InputError
from evenwall.model import Plan, Ramp, SpinChange, Step
from evenwall.planning.recipe import Recipe
from evenwall.planning.rest_of_spin import rest_of
from evenwall.run.changed_spin import changed_ramps, check_change
from evenwall.run.events import MixedAgain, SpinChanged
from evenwall.run.motion import CRUMB_S, FULL_S, PIECE_S, Profile, expected_steps
from evenwall.run.observation import Queue
from evenwall.run.spin_offer import MOST_OFFERS, QUESTION
from evenwall.run.user_messages import (
    CHANGE_ENOUGH,
    CHANGE_LATE,
    CHANGE_STOPPED,
    NO_OFFER,
    OFFER_OVER,
    SPIN_BUTTONS,
)
from evenwall_bridge.contract import Fault
from tests.run.bench import Bench
from tests.support.spins import slower, with_wall

PLAN = with_wall()
COAT = PLAN.coats[0]
LAST = PLAN.coats[2]  # four ramps only, with one long one at the end


def turning(plan: Plan = PLAN, for_s: float = 60.0) -> Bench:
    bench = Bench(plan=plan).until(Step.SPIN)
    bench.wait(for_s)
    return bench


def change(bench: Bench, one: SpinChange, ask: bool = False) -> Any:
    return bench.ask_by("planner", "spin_changed", change=one, ask=ask)


# --- The profile ---------------------------------------------------------------------------------


@pytest.mark.parametrize("from_s", [40.0, 150.123, Profile.of(COAT).ends_s[100]])
def test_the_switch_is_exact(from_s: float) -> None:
    """Up to the moment of the change every speed is the planned one, after it the change's own."""
    one = slower(COAT, from_s)
    planned, changed = Profile.of(COAT), Profile.along(changed_ramps(COAT.ramps, one))
    for k in range(200):
        time_s = from_s * k / 200
        assert changed.rates_at(time_s) == pytest.approx(planned.rates_at(time_s), abs=1e-9)
    # Same number at the switch itself: rounding of the sum of some hundred durations.
    assert changed.rates_at(from_s) == pytest.approx(planned.rates_at(from_s), abs=1e-9)
    assert changed.rates_at(from_s + 100.0) == pytest.approx(
        (one.ramps[-1].major_rpm, one.ramps[-1].minor_rpm)
    )
    assert changed.ends_s[-1] == pytest.approx(planned.ends_s[-1])
    assert changed.leg_at(from_s - 1.0) == planned.leg_at(from_s - 1.0)
    assert changed.leg_at(from_s + 1.0) == "changed"
    # The motion handed over up to the switch and beyond it ends a ramp there.
    ramps, _ = changed.onwards(0.0, from_s + 20.0)
    ends = [math.fsum(ramp[0] for ramp in ramps[: k + 1]) for k in range(len(ramps))]
    assert min(abs(end_s - from_s) for end_s in ends) < 1e-6


def test_two_changes_follow_each_other() -> None:
    first = slower(LAST, 60.0)
    once = LAST.model_copy(update={"ramps": changed_ramps(LAST.ramps, first)})
    second = slower(once, 200.0)
    profile = Profile.along(changed_ramps(once.ramps, second))
    assert profile.rates_at(150.0)[0] == pytest.approx(0.7 * 8.0)
    assert profile.rates_at(250.0)[0] == pytest.approx(0.49 * 8.0)


# --- The gate ------------------------------------------------------------------------------------


def ramp(duration_s: float = 300.0, major_rpm: float = 5.0, minor_rpm: float = 2.0) -> Ramp:
    return Ramp(leg="x", duration_s=duration_s, major_rpm=major_rpm, minor_rpm=minor_rpm)


HOSTILE: dict[str, tuple[dict[str, Any], str]] = {
    "no ramps": ({"ramps": ()}, "the changed spin is 0 ramps: must have 1 to"),
    "too many": ({"ramps": (ramp(0.01),) * 20_001}, "must have 1 to 20000 ramps"),
    "fast": ({"ramps": (ramp(50.0), ramp(309.0, 25.0))}, "speed is 25.00 rpm: must be at most 20"),
    "fast the other way": ({"ramps": (ramp(359.0, -30.0),)}, "must be at most 20 rpm"),
    "steep": ({"ramps": (ramp(0.5, 3.0), ramp(358.9))}, "acceleration is 10.00 rpm/s: must be at"),
    "a jerk later": ({"ramps": (ramp(60.0), ramp(0.1, 8.0), ramp(299.3))}, "acceleration is 30"),
    "short": ({"ramps": (ramp(100.0),)}, "the end of the changed spin is 160.0 s: must be that"),
    "long": ({"ramps": (ramp(4000.0),)}, "the end of the changed spin is 4060.0 s"),
    "no time at all": ({"ramps": (*(ramp(1e-9, 8.0),) * 5, ramp(359.4, 8.0))}, "must be at most 4"),
    "a standstill": (
        {"ramps": (ramp(60.0), ramp(60.0, 0.0, 0.0), ramp(239.4))},
        "must not come to a standstill",
    ),
    "before it began": ({"from_profile_s": -5.0}, "must be within the planned turning"),
    "after its end": ({"from_profile_s": 1e6}, "the start of the changed spin is 1000000.0 s"),
    "no gain": ({"changed_mm": 3.7}, "the gain of the changed spin is 0.000 mm: must be over 0"),
    "a loss for a late gel": (
        {"gain_low_mm": -0.05},
        "the least gain of the changed spin is -0.050 mm",
    ),
    "no wall": ({"changed_mm": 1e9}, "the thinnest patch, changed, is 1e+09 mm: must be 0 to"),
    "a wall below nothing": ({"going_on_mm": -1.0}, "the thinnest patch, going on, is -1 mm"),
}


@pytest.mark.parametrize(("fields", "said"), HOSTILE.values(), ids=HOSTILE)
def test_what_the_frame_must_not_turn_is_refused(fields: dict[str, Any], said: str) -> None:
    one = slower(LAST, 60.0).model_copy(update=fields)
    with pytest.raises(InputError, match=r"^[^\n]+$") as refused:
        check_change(LAST.ramps, one, PLAN.rig)
    assert said in str(refused.value)


@pytest.mark.parametrize("what", ["from_profile_s", "going_on_mm", "changed_mm", "gain_low_mm"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_figure_that_is_no_number_is_refused(what: str, value: float) -> None:
    with pytest.raises(ValidationError, match=what):
        slower(LAST, 60.0, **{what: value})
    with pytest.raises(InputError):  # also where a model was changed without being read again
        check_change(LAST.ramps, slower(LAST, 60.0).model_copy(update={what: value}), PLAN.rig)


def test_a_sound_change_passes() -> None:
    check_change(LAST.ramps, slower(LAST, 60.0), PLAN.rig)
    check_change(COAT.ramps, slower(COAT, 150.0), PLAN.rig)


@pytest.mark.parametrize("index", [0, 1, 2])
def test_what_the_planner_can_change_passes(index: int) -> None:
    """Each number of the rest at both ends of its range, from many moments of a whole plan."""
    coat, recipes = PLAN.coats[index], PLAN.details["recipes"]
    opening, tried = PLAN.geometry.opening.direction, 0
    for from_s in (60.5, 90.123, 133.3, 180.0, 201.7):
        gel_s = coat.clock.gel_expected_s - coat.clock.spin_from_s
        recipe = Recipe(**recipes[index])
        rest = rest_of(coat, recipe, opening, PLAN.rig, from_s=from_s, gel_s=gel_s)
        assert rest is not None
        numbers = rest.numbers(2.0)
        for k, number in enumerate(numbers):
            for end in (number.low, number.high):
                steps = [end if j == k else 0.0 for j in range(len(numbers))]
                ramps = rest.ramps(rest.changed(numbers, steps))
                one = slower(coat, from_s).model_copy(update={"ramps": ramps})
                check_change(coat.ramps, one, PLAN.rig)
                tried += 1
    assert tried >= 10


def test_a_damaged_row_changes_nothing() -> None:
    bench = turning()
    fast = slower(COAT, 150.0).model_copy(update={"ramps": (ramp(647.0, 25.0),)})
    with pytest.raises(InputError, match="must be at most 20 rpm"):
        SpinChanged(change=fast).fold(bench.state, bench.now_s)


# --- A change that is taken ----------------------------------------------------------------------


def test_the_board_gets_the_changed_rest() -> None:
    bench = turning()
    from_s = bench.state.turning.profile_s + 40.0  # type: ignore[union-attr]
    answer = change(bench, slower(COAT, from_s))
    assert answer.accepted
    assert answer.sentence == (
        "The coat gels earlier than planned. The rest of its spin was changed: the finished wall "
        "is then 3.90 mm at its thinnest, instead of 3.70 mm with the planned spin; it gains at "
        "least 0.10 mm whenever the coat gels."
    )
    bench.wait(200.0)
    given = [one for order in bench.told if isinstance(order, Queue) for one in order.ramps]
    assert tuple(given) == bench.state.turning.ramps  # type: ignore[union-attr]
    changed = Profile.along(changed_ramps(COAT.ramps, slower(COAT, from_s)))
    now_s = 0.0
    for duration_s, *rates in given:
        now_s += duration_s
        assert tuple(rates) == pytest.approx(changed.rates_at(now_s), abs=1e-9)
    assert now_s > from_s + 100.0
    # The steps are those of the motion by hand: turns of both pieces, within the board's rounding.
    steps = expected_steps(given, PLAN.rig)
    turns = changed.turns_at(now_s)
    assert steps[0] / PLAN.rig.major.steps_per_turn == pytest.approx(turns, abs=0.01)


def test_a_stop_and_a_lost_link_go_on_with_the_changed_spin() -> None:
    bench = turning()
    from_s = bench.state.turning.profile_s + 40.0  # type: ignore[union-attr]
    assert change(bench, slower(COAT, from_s)).accepted
    changed = bench.state.profile
    bench.wait(100.0)
    bench.rig = replace(bench.rig, coasting=True, queue_s=0.0)
    bench.wait(2.0)
    bench.look(rejoin=True)
    bench.rig = replace(bench.rig, coasting=False, queue_s=20.0)
    bench.wait(30.0)
    bench.ask("pause")
    bench.wait(5.0)
    bench.press()
    bench.wait(60.0)
    assert bench.state.profile is changed
    assert bench.state.turning is not None
    last = bench.state.turning.ramps[-1][1:]
    assert last == pytest.approx(changed.rates_at(from_s + 50.0))  # it is steady by then


def test_a_new_mix_turns_as_planned() -> None:
    bench = turning()
    assert change(bench, slower(COAT, 200.0)).accepted
    state = MixedAgain().fold(bench.state, bench.now_s)
    assert state.profile == Profile.of(COAT)
    assert not state.coat.changes


# --- When nothing changes ------------------------------------------------------------------------


def test_too_late_is_said_and_the_planned_spin_goes_on() -> None:
    bench = turning()
    now = bench.state.turning
    assert now is not None
    answer = change(bench, slower(COAT, now.profile_s - 1.0))
    assert (answer.accepted, answer.sentence) == (False, CHANGE_LATE)
    assert bench.events[-1].line() == f"Not done: {CHANGE_LATE}"
    bench.wait(100.0)
    assert bench.state.profile == Profile.of(COAT)


def test_a_refusal_is_one_line_and_the_planned_spin_goes_on() -> None:
    bench = turning()
    one = slower(COAT, 200.0).model_copy(update={"ramps": (ramp(597.0, 25.0),)})
    answer = change(bench, one)
    assert answer.sentence == (
        "The change of the spin is refused, and the planned spin goes on: the changed spin's speed "
        "is 25.00 rpm: must be at most 20 rpm on this rig."
    )
    assert bench.state.profile == Profile.of(COAT)


def test_a_frame_that_does_not_turn_as_it_should_gets_no_change() -> None:
    bench = turning()
    one = slower(COAT, 400.0)
    assert change(bench, slower(PLAN.coats[1], 300.0)).sentence == CHANGE_STOPPED  # another coat
    bench.rig = replace(bench.rig, faults=frozenset({Fault.SLIP_MAJOR}))
    assert change(bench, one).sentence == CHANGE_STOPPED
    bench.rig = replace(bench.rig, faults=frozenset())
    bench.look(rig_lost="silent")
    bench.kept["rig_lost"] = "silent"
    assert change(bench, one).sentence == CHANGE_STOPPED
    bench.kept["rig_lost"] = ""
    bench.ask("pause")
    assert change(bench, one).sentence == CHANGE_STOPPED
    bench.press()
    bench.ask("touch", what="coat", confirmed=True)
    assert change(bench, one).sentence == CHANGE_STOPPED  # it has gelled
    assert bench.state.coat.changes == ()


def test_a_replay_keeps_its_spin() -> None:
    bench = turning()
    bench.state = bench.folded = replace(bench.state, replay_of="another")
    assert change(bench, slower(COAT, 200.0)).sentence == CHANGE_STOPPED


def test_a_coat_has_few_changes() -> None:
    bench = turning()
    spun = COAT
    for k in range(MOST_OFFERS):
        one = slower(spun, 150.0 + 50.0 * k, share=0.95)
        assert change(bench, one).accepted
        spun = spun.model_copy(update={"ramps": changed_ramps(spun.ramps, one)})
    assert change(bench, slower(spun, 400.0)).sentence == CHANGE_ENOUGH


# --- An offer ------------------------------------------------------------------------------------


def offered() -> tuple[Bench, SpinChange]:
    bench = turning()
    one = slower(COAT, 250.0)
    assert change(bench, one, ask=True).accepted
    assert bench.state.profile == Profile.of(COAT)
    return bench, one


def answered(bench: Bench, value: str) -> Any:
    return bench.ask("answer", question=QUESTION, value=value)


def test_an_offer_is_taken() -> None:
    bench, one = offered()
    assert answered(bench, "take").accepted
    assert bench.state.coat.offer is None
    assert bench.state.profile == Profile.along(changed_ramps(COAT.ramps, one))
    assert bench.state.coat.offers == 1
    assert answered(bench, "take").sentence == NO_OFFER  # by a second phone


def test_an_offer_is_left() -> None:
    bench, _ = offered()
    assert answered(bench, "leave").sentence == OFFER_OVER["left"]
    assert bench.state.coat.offer is None
    assert bench.state.profile == Profile.of(COAT)


def test_an_offer_lapses_before_the_board_may_hold_motion_beyond_it() -> None:
    bench, one = offered()
    from_s = bench.state.coat.spin_from_s
    assert from_s is not None
    until_s = from_s + one.from_profile_s - FULL_S - PIECE_S - CRUMB_S
    bench.wait(until_s - bench.now_s - 1.0)
    assert bench.state.coat.offer == one
    bench.wait(2.0)
    assert bench.state.coat.offer is None
    assert bench.state.turning is not None
    assert bench.state.turning.profile_s < one.from_profile_s
    assert bench.events[-1].line() == OFFER_OVER["late"]
    assert answered(bench, "take").sentence == NO_OFFER


def test_an_offer_ends_when_the_frame_stops() -> None:
    bench, _ = offered()
    bench.guard(False)
    assert bench.state.coat.offer is None
    assert OFFER_OVER["stopped"] in [event.line() for event in bench.events]
    assert set(SPIN_BUTTONS) == {"take", "leave"}
