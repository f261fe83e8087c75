"""Answers to the day while a coat turns, over the twin in virtual time: asked for, offered, taken,
late, refused, and read back from the record."""

from __future__ import annotations

import asyncio
import itertools
import shutil
from asyncio import SelectorEventLoop
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from evenwall.errors import NotConverged
from evenwall.history.laid import as_laid
from evenwall.history.recorded import Recorded
from evenwall.history.turned import turned
from evenwall.model import CoatUnderWay, Plan, Ramp, SpinChange, Step
from evenwall.planning.in_words import clock_words
from evenwall.records.journal import Journal
from evenwall.reports.run_report import write_report
from evenwall.run.alerts import GELLING_FROM
from evenwall.run.folding import fold_all
from evenwall.run.motion import Profile
from evenwall.run.observation import GelReading, GelRow
from evenwall.run.replay import plan_as_it_was
from evenwall.run.spin_offer import MOST_OFFERS, QUESTION
from evenwall.run.state import RunState
from evenwall.run.user_messages import CHANGE_LATE, OFFER_OVER
from evenwall.service.spin_answers import LEAST_PAUSE_S, NOTICE, SpinAnswers
from evenwall.simulation.twin import Weather
from evenwall_bridge.clock import VirtualTimeLoop, run_virtual
from tests.support.castings import Foresight
from tests.support.slowly import Slowly
from tests.support.spins import Answering, with_wall
from tests.support.virtual_shop import Shop, open_shop


class Lasting(Journal):
    """A record whose file outlasts its process."""

    def close(self) -> None:
        return None


async def casting(shop: Shop, look: Callable[[], Any] = lambda: None) -> None:
    """Make the whole casting, and look every two seconds."""
    assert (await shop.ask("start", plan=shop.plan)).accepted
    working = asyncio.get_running_loop().create_task(shop.operator().work())
    while not working.done():
        look()
        await shop.clock.sleep(2.0)
    await working
    assert shop.step is Step.DONE


def shop_of(
    plan: Plan, record: Path | Journal, answer: Any, judge: Foresight | None = None, **more: Any
) -> Any:
    judge = judge or Foresight()

    def prepare(shop: Shop) -> None:
        judge.twin = shop.twin

    weather = Weather(mean_degC=21.0, swing_degC=0.0)
    return open_shop(
        plan, record=record, judges=judge, answer=answer, prepare=prepare, weather=weather, **more
    )


def recorded(record: Path) -> Recorded:
    journal = Journal(record)
    try:
        return Recorded.read(journal, journal.run_ids()[-1])
    finally:
        journal.close()


class Drifting(Foresight):
    """A monitor whose estimate drifts: 2 % later after every minute, until the gel itself."""

    def feed(self, rows: Sequence[GelRow]) -> GelReading:
        reading = super().feed(rows)
        if reading.called_at_s is not None or reading.best_s is None or not rows:
            return reading
        gel_s = reading.best_s * (0.9 + 0.02 * (rows[-1][0] // 60.0 % 6.0))
        return replace(reading, best_s=gel_s, low_s=0.95 * gel_s, high_s=1.05 * gel_s)


@dataclass
class Changed:
    """A casting whose spins changed by themselves, with what was asked and shown meanwhile."""

    record: Path
    asked: list[tuple[Plan, Plan, CoatUnderWay, float]]
    shown: set[str]
    state: RunState
    folded: RunState


@pytest.fixture(scope="module")
def changed(tmp_path_factory: pytest.TempPathFactory) -> Changed:
    work, record = Answering(), tmp_path_factory.mktemp("changed") / "record.sqlite"
    shown: set[str] = set()

    async def scenario() -> Changed:
        async with shop_of(with_wall("on"), record, work, judge=Drifting()) as shop:
            await casting(shop, lambda: shown.update(said(shop)))
            state = shop.supervisor.state
            assert state is not None
            events = await shop.service.events(state.run_id)
            folded = fold_all(state.run_id, shop.plan, events)
            return Changed(record, work.asked, shown, state, folded)

    def said(shop: Shop) -> list[str]:
        return [a.sentence for a in shop.service.snapshot().alerts if a.kind == "spin_changed"]

    return run_virtual(scenario())


def test_on_it_is_changed_by_itself_and_the_steps_agree(changed: Changed) -> None:
    """Expected and counted steps agree to the step, and the record reads back as it was."""
    assert changed.folded == changed.state
    for coat in changed.state.coats:
        assert coat.changes
        assert coat.steps_expected is not None
        assert coat.steps_expected == coat.steps_counted
    assert len(changed.shown) == 1
    assert "The rest of its spin was changed" in changed.shown.pop()


def test_the_wall_and_the_proven_spin_are_as_truly_turned(changed: Changed) -> None:
    run = recorded(changed.record)
    laid, lost = as_laid(run)
    assert lost == ()
    for coat, was, now in zip(run.state.coats, run.plan.coats, laid.coats, strict=True):
        assert was.ramps != now.ramps
        last = coat.changes[-1]
        slow_rpm = abs(last.ramps[-1].major_rpm)
        steady = [ramp for ramp in now.ramps if abs(ramp.major_rpm) == pytest.approx(slow_rpm)]
        # From the change until the gel, in pieces of at most 10 s.
        assert sum(ramp.duration_s for ramp in steady) > 60.0
        assert {ramp.leg for ramp in steady} == {"changed"}
    for coat, proven in zip(laid.coats, turned(run).coats, strict=True):
        assert proven.ramps == coat.ramps


def test_a_replay_turns_the_changed_spin(changed: Changed) -> None:
    """In the same room it passes the angles that were turned, not those of the plan: at the end of
    the turning, within a quarter of a turn of some fifty (the stored table's rounding)."""
    run = recorded(changed.record)
    proven = turned(run)
    today = plan_as_it_was(run.plan, proven)
    for coat, was in zip(today.coats, proven.coats, strict=True):
        at_s = min(length_s(coat.ramps), length_s(was.ramps)) - 5.0
        assert turns(coat.ramps, at_s) == pytest.approx(turns(was.ramps, at_s), abs=0.25)
        planned = run.plan.coats[coat.coat - 1]
        assert abs(turns(planned.ramps, at_s) - turns(was.ramps, at_s)) > 1.0


def test_it_is_proven_and_cast_again_with_its_changed_spin(
    changed: Changed, tmp_path: Path
) -> None:
    """The proof holds the spin as turned, and the replay's first coat makes as many turns as that
    one did, far fewer than planned. It asks for no change of its own."""
    record = tmp_path / "record.sqlite"
    shutil.copy(changed.record, record)
    work = Answering()

    async def scenario() -> None:
        async with shop_of(with_wall("on"), record, work) as shop:
            run_id = changed.state.run_id
            await shop.clock.sleep(60.0)
            proof = await shop.ask("prove", run_id=run_id, confirmed=True, reason="a trial")
            assert proof.accepted, proof.sentence
            started = await shop.ask("start", key="again", run_id=run_id)
            assert started.accepted, started.sentence
            working = asyncio.ensure_future(shop.operator().work())
            await shop.until(lambda: shop.supervisor.state.coats[0].done or working.done())
            assert not working.done(), working
            working.cancel()
            state = shop.supervisor.state
            assert state is not None
            assert state.replay_of == run_id
            again, first = (one.coats[0].steps_counted for one in (state, changed.state))
            assert again is not None
            assert first is not None
            # A replay adds or leaves out whole turns as the cure asks: some of about thirty.
            assert again[0] == pytest.approx(first[0], rel=0.15)
            planned = changed.state.plan.coats[0]
            per_turn = changed.state.plan.rig.major.steps_per_turn
            assert turns(planned.ramps, 400.0) * per_turn > 1.5 * abs(again[0])

    run_virtual(scenario())
    assert recorded(record).proof is not None
    assert work.asked == []


def turns(ramps: Sequence[Ramp], time_s: float) -> float:
    return abs(Profile.along(ramps).turns_at(time_s))


def length_s(ramps: Sequence[Ramp]) -> float:
    return sum(ramp.duration_s for ramp in ramps)


def test_the_report_names_the_changed_spins(changed: Changed, tmp_path: Path) -> None:
    write_report(recorded(changed.record), tmp_path / "report.html")
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Changed spins" in text
    for coat in changed.state.coats:
        from_s = coat.changes[0].from_profile_s
        assert f"Coat {coat.coat}, from {clock_words(from_s)} of its turning" in text


def test_it_is_asked_seldom_and_not_when_the_coat_nearly_holds(changed: Changed) -> None:
    for coat in changed.state.coats:
        mine = [(now, from_s) for _, _, now, from_s in changed.asked if now.coat == coat.coat]
        assert 1 <= len(mine) <= MOST_OFFERS
        times = [now.at_s for now, _ in mine]
        assert all(b - a >= LEAST_PAUSE_S for a, b in itertools.pairwise(times))
        begun_s = (coat.spin_from_s or 0.0) - (coat.parts_met_s or 0.0)
        for now, from_s in mine:
            assert begun_s + from_s <= GELLING_FROM * now.gel_s[0] + 1.0
    assert len([now for _, _, now, _ in changed.asked if now.coat == 1]) == MOST_OFFERS


def test_later_answers_know_the_change_before(changed: Changed) -> None:
    """The solver gets the changes taken, in the plan and in the coats as laid."""
    planned, laid, now, _ = changed.asked[1]
    assert now.coat == 1
    for plan in (planned, laid):
        assert "changed" in {ramp.leg for ramp in plan.coats[0].ramps}


def test_off_nobody_is_asked(tmp_path: Path) -> None:
    work = Answering()

    async def scenario() -> None:
        async with shop_of(with_wall(), tmp_path / "record.sqlite", work) as shop:
            await casting(shop)

    run_virtual(scenario())
    assert work.asked == []


def test_a_plan_cannot_switch_it_on(tmp_path: Path) -> None:
    """A sent plan that says "on" is turned as planned where the rig's own file says off."""
    work = Answering()

    async def scenario() -> None:
        async with shop_of(with_wall(), tmp_path / "record.sqlite", work) as shop:
            shop.plan = with_wall("on")
            await casting(shop)
            state = shop.supervisor.state
            assert state is not None
            assert state.plan.rig.spin_changes == "off"

    run_virtual(scenario())
    assert work.asked == []


def test_an_offer_lapses_by_itself(tmp_path: Path) -> None:
    work, record = Answering(), tmp_path / "record.sqlite"
    until: list[float] = []

    async def scenario() -> None:
        async with shop_of(with_wall("ask"), record, work) as shop:
            await casting(shop, lambda: note(shop))
            assert shop.service.snapshot().spin_offer is None

    def note(shop: Shop) -> None:
        shown = shop.service.snapshot()
        if shown.spin_offer is not None:
            assert shown.step is Step.SPIN
            assert shown.spin_offer.until_s > shown.now_s - 1.0
            assert [b.data["value"] for b in shown.spin_offer.buttons] == ["take", "leave"]
            until.append(shown.spin_offer.until_s - shown.now_s)

    run_virtual(scenario())
    assert max(until) > 60.0  # a minute to decide, at the least
    run = recorded(record)
    assert not any(coat.changes for coat in run.state.coats)
    lines = [event.line() for _, event in run.happened]
    assert OFFER_OVER["late"] in lines
    assert all(coat.steps_expected == coat.steps_counted for coat in run.state.coats)


def test_an_offer_is_taken_on_the_phone(tmp_path: Path) -> None:
    record = tmp_path / "record.sqlite"
    pressed: list[asyncio.Task[Any]] = []

    async def scenario() -> None:
        async with shop_of(with_wall("ask"), record, Answering()) as shop:
            await casting(shop, lambda: press(shop))

    def press(shop: Shop) -> None:
        shown = shop.service.snapshot()
        if shown.spin_offer is not None:
            data = shown.spin_offer.buttons[0].data
            assert data == {"question": QUESTION, "value": "take"}
            pressed.append(asyncio.ensure_future(shop.ask("answer", **data)))

    run_virtual(scenario())
    assert any(one.result().accepted for one in pressed)
    run = recorded(record)
    assert run.state.coats[0].changes
    assert all(coat.steps_expected == coat.steps_counted for coat in run.state.coats)


@pytest.mark.parametrize("late_s", [10.0, 70.0])
def test_a_late_answer_is_dropped_with_a_note(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, late_s: float
) -> None:
    """The frame turns on while the solver works, and takes its answer only where it still can."""
    slowly, at_once = Slowly(), VirtualTimeLoop.run_in_executor

    def run(loop: VirtualTimeLoop, executor: Any, work: Any, *args: Any) -> Any:
        how = SelectorEventLoop.run_in_executor if executor is slowly else at_once
        return how(loop, executor, work, *args)

    monkeypatch.setattr(VirtualTimeLoop, "run_in_executor", run)

    async def scenario() -> None:
        async with shop_of(with_wall("on"), tmp_path / "r.sqlite", None) as shop:
            answers = SpinAnswers(shop.supervisor, Answering(), slowly, shop.service._spawn)
            shop.supervisor.on_look = answers.looked
            assert (await shop.ask("start", plan=shop.plan)).accepted
            working = asyncio.ensure_future(shop.operator().work())
            await shop.until(lambda: slowly.jobs)
            await shop.clock.sleep(late_s)
            slowly.do(0)
            await shop.clock.sleep(5.0)
            state, late = shop.supervisor.state, late_s > 50.0
            assert state is not None
            assert state.step is Step.SPIN
            assert len(state.coat.changes) == (0 if late else 1)
            assert (shop.supervisor.notices.get(NOTICE) == CHANGE_LATE) is late
            if late:  # tried again, with the time that it has now been seen to take
                await shop.until(lambda: len(slowly.jobs) == 2, limit_s=400.0)
                begins_s = slowly.jobs[1][0].keywords["from_profile_s"]
                spin_s = shop.clock.now_s() - (state.coat.spin_from_s or 0.0)
                assert begins_s - spin_s > 1.5 * late_s
            working.cancel()

    run_virtual(scenario())


def test_a_silent_or_failing_solver_changes_nothing(tmp_path: Path) -> None:
    told: set[str] = set()

    def fails(*_: Any, **__: Any) -> SpinChange | None:
        raise NotConverged("a change of the spin (no reason)", 1.0, 3)

    async def scenario() -> None:
        async with shop_of(with_wall("on"), tmp_path / "r.sqlite", fails) as shop:
            await casting(shop, lambda: told.update(shop.supervisor.notices.values()))
            state = shop.supervisor.state
            assert state is not None
            assert not any(coat.changes for coat in state.coats)
            assert NOTICE not in shop.supervisor.notices  # it goes with the coat

    run_virtual(scenario())
    assert any(said.startswith("No better rest of this spin is known") for said in told)


@pytest.mark.parametrize("after_s", [0.0, 45.0, 120.0])
def test_killed_in_the_middle_it_goes_on_with_the_changed_spin(
    tmp_path: Path, after_s: float
) -> None:
    """The controller dies right after the decision, before the switch or after it; the board turns
    on, and the next process continues the changed spin to the step."""
    record = tmp_path / "record.sqlite"

    async def scenario() -> None:
        judge = Foresight()
        async with shop_of(with_wall("on"), Lasting(record), Answering()) as first:
            assert (await first.ask("start", plan=first.plan)).accepted
            working = asyncio.ensure_future(first.operator().work())
            await first.until(lambda: changes(first))
            await first.clock.sleep(after_s)
            working.cancel()
            await first.records.flush()
            decided = first.supervisor.state.coat.changes
            judge.twin = twin = first.twin
        await first.clock.sleep(4.0)  # the board turns alone
        again = open_shop(
            first.plan, record=Lasting(record), judges=judge, board=first.board, clock=first.clock
        )
        async with again as second:
            second.supervisor.on_event = twin.follow
            await second.until(lambda: second.supervisor.state is not None)
            coat = second.supervisor.state.coat
            assert coat.changes[: len(decided)] == decided
            assert coat.spin is not None
            await second.clock.sleep(120.0)
            turning = second.supervisor.state.turning
            assert turning is not None
            steady = decided[-1].ramps[-1]
            rates = turning.ramps[-1][1:]
            assert rates == pytest.approx((steady.major_rpm, steady.minor_rpm))
            assert (await second.ask("touch", what="coat", confirmed=True)).accepted
            await second.until(lambda: second.step is not Step.SPIN)
            coat = second.supervisor.state.coats[0]
            assert coat.steps_expected is not None
            assert coat.steps_expected == coat.steps_counted

    def changes(shop: Shop) -> bool:
        state = shop.supervisor.state
        return state is not None and bool(state.coat.changes)

    run_virtual(scenario())
