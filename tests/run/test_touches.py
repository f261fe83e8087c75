"""A touch parks the frame and changes the next plan: no single press may do so by mistake."""

from __future__ import annotations

from dataclasses import replace

import pytest

from evenwall.model import Step
from evenwall.planning.batch import CLOSE_UP_S
from evenwall.run.alerts import touch_band_s
from evenwall.run.commands import UNDO_S
from evenwall.run.observation import Observation
from evenwall.run.schedule import close_up_s
from evenwall.run.view import buttons, countdown
from tests.run.bench import Bench
from tests.support.virtual_shop import lantern_plan

EXPECTED_S = lantern_plan().coats[0].clock.gel_expected_s


def touch(bench: Bench, what: str, **data: object) -> bool:
    return bench.ask("touch", what=what, **data).accepted


def turning(coat_time_s: float) -> Bench:
    return Bench().until(Step.SPIN, coat_time_s=coat_time_s)


@pytest.mark.parametrize("what", ["cup", "coat"])
def test_a_touch_before_its_time_is_asked_about(what: str) -> None:
    """In a trial, one press 42 s into turning parked liquid resin with the opening down."""
    bench = Bench().until(Step.CLOSE_UP if what == "cup" else Step.SPIN)
    assert (bench.state.coat_time_s(bench.now_s) or 0.0) < touch_band_s(bench.state, what)[0]
    answer = bench.ask("touch", what=what)
    assert (answer.accepted, answer.confirm) == (False, True)
    assert "really gelled?" in answer.sentence
    assert not bench.state.coat.touches
    assert bench.state.coat.gel_called_s is None
    assert touch(bench, what, confirmed=True)
    assert [one for one, _ in bench.state.coat.touches] == [what]


def test_a_touch_in_its_time_parks_only_after_the_time_to_undo_it() -> None:
    bench = turning(EXPECTED_S)
    assert touch(bench, "coat")
    bench.wait(UNDO_S - 1.0)
    assert bench.state.turning is not None
    assert not bench.state.turning.ending
    bench.wait(2.0)
    assert bench.state.turning is None or bench.state.turning.ending


def test_a_touch_is_taken_back_with_the_gel_that_it_told() -> None:
    bench = turning(EXPECTED_S)
    assert touch(bench, "coat")
    assert bench.state.coat.gel_how == "touch"
    assert bench.ask("take_back").accepted
    coat = bench.state.coat
    assert coat.touches == ()
    assert (coat.gel_coat_s, coat.gel_called_s, coat.safe_s, coat.gel_how) == (None, None, None, "")
    bench.wait(2.0 * UNDO_S)
    assert bench.state.turning is not None
    assert not bench.state.turning.ending
    assert not bench.ask("take_back").accepted


def test_a_touch_taken_back_after_parking_teaches_nothing() -> None:
    bench = turning(EXPECTED_S)
    assert touch(bench, "coat")
    bench.wait(UNDO_S + 60.0)
    assert bench.state.step is Step.REST
    answer = bench.ask("take_back")
    assert answer.accepted
    assert "tip it out" in answer.sentence
    assert bench.state.coat.touches == ()
    assert bench.state.step is Step.REST


def test_the_press_that_parks_is_held() -> None:
    bench = turning(EXPECTED_S)
    held = {b.label: b.hold_s for b in buttons(bench.state, bench.now_s)[1] if b.command == "touch"}
    assert held["Coat has gelled"] == pytest.approx(1.0)


def test_the_number_counts_to_what_costs_the_coat_first() -> None:
    """In a trial the page said 'Pour now, 6:22 left' when 3:20 were left to begin turning."""
    bench = Bench().until(Step.POUR)
    clock = bench.state.coat_plan.clock
    early = clock.model_copy(update={"turn_by_s": clock.spin_from_s + 20.0})
    coats = (bench.state.coat_plan.model_copy(update={"clock": early}), *bench.plan.coats[1:])
    state = replace(bench.state, plan=bench.plan.model_copy(update={"coats": coats}))
    met_s = state.coat.parts_met_s or 0.0
    assert early.spin_from_s + 20.0 - CLOSE_UP_S < early.pour_by_s
    count = countdown(state, bench.now_s, Observation())
    assert count is not None
    assert count.kind == "act"
    assert count.until_s == pytest.approx(met_s + early.spin_from_s + 20.0 - CLOSE_UP_S)


def test_closing_up_is_counted_as_this_maker_does_it() -> None:
    bench = turning(100.0)
    first = bench.state.coats[0]
    assert first.spin_from_s is not None
    assert first.poured_s is not None
    slow = replace(first, spin_from_s=first.poured_s + 130.0)
    state = replace(bench.state, coats=(slow, *bench.state.coats[1:]), index=1)
    assert close_up_s(state) == pytest.approx(130.0)
    assert close_up_s(replace(state, index=0)) == CLOSE_UP_S
