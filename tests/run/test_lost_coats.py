"""A coat that forms no wall is reported in time, not counted, and poured again."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from evenwall.devices.interfaces import Press
from evenwall.history.laid import as_laid
from evenwall.history.recorded import Recorded
from evenwall.model import Plan, Step, WallSummary
from evenwall.planning.batch import turn_by_s
from evenwall.records.journal import Journal
from evenwall.run import user_messages as plain
from evenwall.run.fate import LEAST_PATH, Fate, fate, no_return_s, path_left
from evenwall.run.laid import laid_key, laid_mm, wall_view
from evenwall.run.schedule import wait_to_pour
from evenwall.run.view import countdown, sentence
from evenwall_bridge.clock import run_virtual
from tests.run.bench import Bench
from tests.run.test_sheet import labels, seen, shown
from tests.support.castings import Foresight
from tests.support.virtual_shop import lantern_plan, open_shop


def standing(after_s: float) -> Bench:
    """A poured coat in a mould that still stands still, this long after its parts met."""
    bench = Bench().until(Step.CLOSE_UP)
    assert bench.state.coat.parts_met_s is not None
    bench.wait(bench.state.coat.parts_met_s + after_s - bench.now_s)
    return bench


def test_the_point_of_no_return_lies_between_late_and_gelled() -> None:
    """At the point of no return the path left is the least, by its definition."""
    coat = lantern_plan().coats[0]
    last_s = no_return_s(coat)
    assert turn_by_s(coat.clock) < last_s < coat.clock.gel_low_s
    assert path_left(coat, last_s) == pytest.approx(LEAST_PATH, abs=0.02)  # the table's 8 % steps
    assert path_left(coat, coat.clock.spin_from_s) == pytest.approx(1.0, abs=0.02)
    assert path_left(coat, coat.clock.gel_expected_s) == pytest.approx(0.0, abs=0.001)


def test_late_the_number_counts_to_the_point_of_no_return() -> None:
    coat = lantern_plan().coats[0]
    bench = standing(turn_by_s(coat.clock) + 10.0)
    told = countdown(bench.state, bench.now_s, seen(bench))
    assert told is not None
    assert told.label == "late: time left before this coat is lost"
    assert told.until_s - (bench.state.coat.parts_met_s or 0.0) == pytest.approx(no_return_s(coat))


def test_past_it_the_sheet_says_to_tip_the_resin_out_and_the_coat_is_laid_anew() -> None:
    coat = lantern_plan().coats[0]
    bench = standing(no_return_s(coat) + 5.0)
    say, why = sentence(bench.state, bench.now_s, seen(bench))
    assert "tip the resin out" in say
    assert "Gloves, goggles and respirator on" in why
    assert "Never pour it into a drain" in why
    assert countdown(bench.state, bench.now_s, seen(bench)) is None
    assert "Tipped out" in labels(bench)
    met_s = bench.state.coat.parts_met_s
    assert bench.ask("answer", question="coat_lost", value="tipped_out").accepted
    state = bench.state
    assert (state.step, state.index, state.coat.lost) == (Step.WEIGH, 0, 1)
    assert (state.coat.poured_s, state.coat.parts_met_s) == (None, None)
    # What clings must carry the new coat: the pour waits for it.
    bench.until(Step.POUR)
    wait = wait_to_pour(bench.state, bench.now_s)
    assert wait is not None
    assert met_s is not None
    assert wait[1] == plain.WAIT_FOR_COAT


def test_gelled_in_the_mould_it_is_left_there() -> None:
    coat = lantern_plan().coats[0]
    bench = standing(coat.clock.gel_low_s + 5.0)
    say, why = sentence(bench.state, bench.now_s, seen(bench))
    assert say == plain.ALERTS["set_in_mould"]
    assert "If it smokes, leave it and the room" in why
    assert plain.LOST_BUTTONS["set"] in labels(bench)


def test_before_it_nothing_is_tipped_out() -> None:
    bench = standing(turn_by_s(lantern_plan().coats[0].clock) + 10.0)
    assert "Tipped out" not in labels(bench)
    assert not bench.ask("answer", question="coat_lost", value="tipped_out").accepted


def test_a_coat_that_stands_too_long_takes_the_planned_wall_off_the_sheet() -> None:
    """Nobody has turned it yet: the planned thinnest place is out of reach, whatever happens to the
    coat."""
    coat = lantern_plan().coats[0]
    for after_s in (turn_by_s(coat.clock) + 15.0, no_return_s(coat) + 30.0, coat.clock.gel_low_s):
        bench = standing(after_s)
        told = shown(bench)
        assert told.step is Step.CLOSE_UP
        assert told.wall.min_mm is None
        assert told.wall.note == plain.WALL_LATE
    assert shown(standing(turn_by_s(coat.clock) - 30.0)).wall.note != plain.WALL_LATE


def test_a_coat_turned_late_has_another_wall_and_one_too_late_none() -> None:
    """Late: its weights still count, and no thinnest place is shown until it was computed again.
    Too late: it counts for nothing, and 'stood' holds the time that it should have turned."""
    coat = lantern_plan().coats[0]
    for after_s, end, laid in (
        (turn_by_s(coat.clock) + 15.0, Fate.CHANGED, coat.mean_mm),
        (no_return_s(coat) + 30.0, Fate.LOST, 0.0),
    ):
        bench = standing(after_s)
        bench.look(presses=(Press.NEXT,))
        bench.wait(5.0)
        state = bench.state
        assert state.step is Step.SPIN
        assert fate(state.coat_plan, state.coat) is end
        assert laid_mm(state, state.coat) == pytest.approx(laid, abs=0.01)
        late_s = after_s - turn_by_s(coat.clock)
        assert state.coat.stood_s == pytest.approx(late_s, abs=3.0)
        told = shown(bench)
        assert told.coats[0].fate == end.value
        assert told.wall.min_mm is None
        assert told.wall.note == plain.WALL_AGAIN
        again = WallSummary(target_mm=4.5, mean_mm=3.0, min_mm=1.0)
        assert wall_view(state, (laid_key(state), again)) == again
        assert wall_view(state, ((), again)).min_mm is None  # of another record


def test_a_lost_coat_that_has_set_is_laid_again_when_the_person_says_so() -> None:
    bench = standing(no_return_s(lantern_plan().coats[0]) + 30.0)
    bench.look(presses=(Press.NEXT,))
    bench.until(Step.SPIN, coat_time_s=1000.0)
    bench.ask("touch", what="coat")
    bench.wait(60.0)
    assert bench.state.step is Step.REST
    assert sentence(bench.state, bench.now_s, seen(bench))[0] == plain.LOST.format(coat=1)
    assert bench.ask("answer", question="coat_lost", value="again").accepted
    assert (bench.state.step, bench.state.index) == (Step.WEIGH, 0)
    assert bench.state.halted == "ask"  # the frame waits for its own button
    bench.look(presses=(Press.NEXT,))
    bench.wait(3.0)
    assert bench.state.parked == "up"


def test_the_wall_is_computed_again_from_how_the_coat_turned(tmp_path: Path) -> None:
    """In the whole simulated shop turning begins 40 s late; the film gets the coat's real start and
    turning, and its result is shown."""
    asked: list[tuple[Plan, tuple[int, ...]]] = []

    def work(plan: Plan, lost: tuple[int, ...]) -> WallSummary:
        asked.append((plan, lost))
        return WallSummary(target_mm=4.5, mean_mm=4.4, min_mm=3.3)

    record = tmp_path / "record.sqlite"

    async def scenario() -> str:
        judge = Foresight()
        async with open_shop(record=record, judges=judge, wall_again=work) as shop:
            judge.twin = shop.twin
            await shop.ask("start", plan=shop.plan)
            operator = shop.operator()
            working = asyncio.get_running_loop().create_task(operator.work())
            await shop.until(lambda: shop.step is Step.CLOSE_UP)
            working.cancel()
            state = shop.supervisor.state
            assert state is not None
            late_s = turn_by_s(state.coat_plan.clock) + 40.0
            await shop.until(lambda: (state.coat_time_s(shop.clock.now_s()) or 0.0) > late_s)
            shop.board.set_guard(True)
            await shop.clock.sleep(2.0)
            shop.buttons.press(Press.NEXT)
            await shop.until(lambda: bool(asked))
            await shop.clock.sleep(5.0)
            wall = shop.service.snapshot().wall
            assert wall is not None
            assert (wall.min_mm, wall.note) == (3.3, plain.AS_TURNED)
            run_id = shop.service.snapshot().run_id
            assert run_id is not None
            return run_id

    run_id = run_virtual(scenario())
    plan, lost = asked[0]
    assert lost == ()
    planned = lantern_plan().coats[0]
    assert plan.coats[0].clock.spin_from_s > turn_by_s(planned.clock) + 30.0
    assert plan.coats[1:] == lantern_plan().coats[1:]
    journal = Journal(record)
    assert as_laid(Recorded.read(journal, run_id))[1] == ()
    journal.close()
