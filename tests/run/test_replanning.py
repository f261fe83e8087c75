"""Between coats the remaining ones are planned again, in time or not at all, and the person never
waits for it."""

from __future__ import annotations

import asyncio
from asyncio import SelectorEventLoop
from typing import Any

import pytest

from evenwall.errors import InputError, PlanError
from evenwall.model import Plan, Step
from evenwall.model.seal import sealed
from evenwall.planning import replan
from evenwall.run.folding import fold_all
from evenwall.run.replanning import budget_s, laid, rest_of
from evenwall.run.schedule import next_from_s
from evenwall_bridge.clock import VirtualTimeLoop, run_virtual
from tests.support.slowly import Slowly
from tests.support.virtual_shop import open_shop


def quickly(plan: Plan, done: Any, **today: Any) -> Plan:
    """The planner without its film, whatever the time."""
    return replan(plan, done, **{**today, "time_budget_s": 0.0})


@pytest.mark.slow
def test_the_rest_follows_what_was_weighed_and_seen() -> None:
    """The other coats share the excess or the shortfall of coat 1; the steps still agree."""

    async def scenario() -> None:
        async with open_shop(seed=3, replanner=quickly) as shop:
            await shop.ask("start", plan=shop.plan)
            last = await shop.operator().work()
            assert last.step is Step.DONE
            events = await shop.service.events(last.run_id or "")
            again = [event for event in events if event.kind == "replanned"]
            assert [event.data["accepted"] for event in again] == [True, True]
            assert (
                again[0]
                .data["sentence"]
                .startswith("The remaining coats were planned again: coat 2 is")
            )
            state = shop.supervisor.state
            assert state is not None
            # By hand: what was laid and what is still planned add up to the wall that is wanted.
            sheet, area = shop.plan.casting.resin.sheet, shop.plan.geometry.area_cm2
            done = laid(state)
            first_mm = (
                (done[0].mix_g - done[0].cup_left_g) / sheet.cured_density_g_cm3 / area * 10.0
            ) * shop.plan.coats[0].wall_share
            rest_mm = sum(coat["mean_mm"] for coat in again[0].data["rest"]["coats"])
            assert first_mm + rest_mm == pytest.approx(shop.plan.casting.wall_mm)
            for coat in last.coats:
                assert coat.steps_expected is not None
                assert coat.steps_expected == coat.steps_counted
            # A restarted controller reads the same from the journal.
            assert fold_all(last.run_id or "", shop.plan, events) == state
            assert await shop.service.run_plan(last.run_id or "") == sealed(state.plan)

    run_virtual(scenario())


def test_too_late_changes_nothing() -> None:
    async def scenario() -> None:
        async with open_shop(seed=3, replanner=quickly) as shop:
            await shop.ask("start", plan=shop.plan)
            data = {"coats_done": 1, "rest": rest_of(shop.plan, 1), "sentence": "late"}
            answer = await shop.ask("replanned", **data)
            assert not answer.accepted
            assert "the old plan still applies" in answer.sentence
            assert shop.supervisor.state.plan == shop.plan

    run_virtual(scenario())


def test_a_refusal_is_told_and_the_plan_stands() -> None:
    def no(*_: Any, **__: Any) -> Plan:
        raise PlanError("wall still to lay", "0.10", "a coat must be 0.6 mm to cover", unit="mm")

    async def scenario() -> None:
        async with open_shop(seed=3, replanner=no) as shop:
            await shop.ask("start", plan=shop.plan)
            operator = asyncio.ensure_future(shop.operator().work())
            await shop.until(lambda: "planned_again" in shop.supervisor.notices)
            await shop.until(lambda: "stay as planned" in shop.supervisor.notices["planned_again"])
            assert "a coat must be 0.6 mm" in shop.supervisor.notices["planned_again"]
            assert shop.supervisor.state.plan == shop.plan
            await shop.until(lambda: shop.supervisor.state.step is Step.WEIGH)
            assert "planned_again" not in shop.supervisor.notices, "coat 2 is laid as planned"
            operator.cancel()

    run_virtual(scenario())


@pytest.mark.parametrize("refuses", [False, True])
def test_word_of_a_new_plan_stands_no_longer_than_it_may_be_used(
    refuses: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock does not wait for these jobs: the next coat begins, or the casting is given up."""
    monkeypatch.setattr(VirtualTimeLoop, "run_in_executor", SelectorEventLoop.run_in_executor)

    def planner(*told: Any, **today: Any) -> Plan:
        if refuses:
            raise PlanError("wall still to lay", "0.10", "a coat must be 0.6 mm to cover")
        return quickly(*told, **today)

    async def scenario() -> None:
        async with open_shop(seed=3, replanner=planner) as shop:
            slowly = shop.service._replanner._executor = Slowly()
            notices, run = shop.supervisor.notices, shop.supervisor
            await shop.ask("start", plan=shop.plan)
            operator = asyncio.ensure_future(shop.operator().work())
            await shop.until(lambda: "planned_again" in notices)
            assert "being planned again" in notices["planned_again"]
            await shop.until(lambda: run.state.step is Step.WEIGH)
            assert "planned_again" not in notices
            slowly.do(0)
            await shop.clock.sleep(10.0)
            assert "planned_again" not in notices
            assert run.state.plan == shop.plan
            await shop.until(lambda: run.state.step is Step.REST and run.state.index == 1)
            operator.cancel()
            await shop.ask("weigh_back", cup_left_g=40.0)
            await shop.clock.sleep(10.0)
            slowly.do(1)  # without the cup: overtaken
            await shop.clock.sleep(10.0)
            assert "being planned again" in notices["planned_again"]
            assert run.state.plan == shop.plan
            slowly.do(2)
            await shop.clock.sleep(10.0)
            assert ("planned_again" in notices) is refuses
            assert (run.state.plan == shop.plan) is refuses
            await shop.ask("abandon", reason="enough")
            await shop.clock.sleep(10.0)
            assert "planned_again" not in notices

    run_virtual(scenario())


def test_cup_and_tray_are_weighed_back() -> None:
    """By hand: the resin on the wall is the mix less cup and tray."""

    async def scenario() -> None:
        async with open_shop(seed=3) as shop:
            await shop.ask("start", plan=shop.plan)
            refused = await shop.ask("weigh_back", cup_left_g=4.0)
            assert not refused.accepted
            working = asyncio.ensure_future(shop.operator().work())
            await shop.until(lambda: shop.supervisor.state.step is Step.REST)
            with pytest.raises(InputError, match="spill_g"):
                await shop.ask("weigh_back", spill_g=-1.0)
            assert (await shop.ask("weigh_back", "cup-weighed", cup_left_g=40.0)).accepted
            assert (await shop.ask("weigh_back", "tray-weighed", spill_g=2.5)).accepted
            done = laid(shop.supervisor.state)
            assert [(one.cup_left_g, one.spill_g) for one in done] == [(40.0, 2.5)]
            coat = shop.supervisor.state.coats[0]
            assert done[0].mix_g == coat.part_a_g + coat.part_b_g
            assert done[0].pace == coat.gel_coat_s / shop.plan.coats[0].clock.gel_expected_s
            # Ten times real speed leaves a tenth of the time, and never more than two real minutes.
            from_s = next_from_s(shop.supervisor.state)
            now_s = from_s - 60.0
            slow, fast = (budget_s(shop.supervisor.state, now_s, speed) for speed in (1.0, 10.0))
            assert (slow, fast) == pytest.approx((42.0, 4.2))
            assert budget_s(shop.supervisor.state, from_s - 3600.0, 1.0) == 120.0
            assert budget_s(shop.supervisor.state, from_s + 1.0, 1.0) == 0.0
            working.cancel()

    run_virtual(scenario())
