"""A run begun with the first answer: the full plan takes over before the first pour, or later."""

from __future__ import annotations

import asyncio
from asyncio import SelectorEventLoop
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from evenwall.errors import PlanError
from evenwall.model import Plan, Step
from evenwall.model.details import FIRST_ANSWER
from evenwall.model.seal import sealed
from evenwall.run.events import Started
from evenwall.run.folding import begin, fold_all
from evenwall.run.replanning import FIRST_NOTICE, NOTICE, cannot_take_over, rest_of
from evenwall.service.facade import Service
from evenwall_bridge.clock import VirtualTimeLoop, run_virtual
from tests.support.orders import command
from tests.support.slowly import Slowly
from tests.support.virtual_shop import SAMPLES, Shop, lantern_plan, open_shop


@pytest.fixture(autouse=True)
def _clock_waits_for_no_search(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(VirtualTimeLoop, "run_in_executor", SelectorEventLoop.run_in_executor)


@cache
def first() -> Plan:
    """Return a first answer: the grams of the full plan with other spins."""
    plan = lantern_plan()
    details = {**plan.details, FIRST_ANSWER: True}
    coats = tuple(
        coat.model_copy(update={"ramps": plan.coats[0].ramps, "start_deg": plan.coats[0].start_deg})
        for coat in plan.coats
    )
    return sealed(plan.model_copy(update={"details": details, "coats": coats}))


def heavier(plan: Plan) -> Plan:
    """Coat 1 with 5 % more of both parts."""
    one = plan.coats[0]
    grams = {name: 1.05 * getattr(one, name) for name in ("part_a_g", "part_b_g", "mix_g")}
    more = one.model_copy(update=grams)
    return sealed(plan.model_copy(update={"coats": (more, *plan.coats[1:])}))


async def begun(shop: Shop, full: Callable[[], Plan], **more: Any) -> tuple[Service, Slowly]:
    """A run begun with the first answer, while its search (job 1) waits to be done."""
    slowly = Slowly()

    def search(*_: Any, progress: Callable[[float, str], None], **__: Any) -> Plan:
        progress(0.2, "searching")
        return full()

    service = Service(
        shop.supervisor,
        SAMPLES,
        search,
        executor=slowly,
        rough_planner=lambda *_, **__: first(),
        **more,
    )
    job = await service.start_plan("lantern-globe", {})
    await shop.until(lambda: slowly.jobs)
    slowly.do(0)
    await shop.until(lambda: len(slowly.jobs) == 2)
    answer = await service.command(command("start", "go", job_id=job.job_id))
    assert answer.accepted, answer.sentence
    return service, slowly


async def weighing(shop: Shop) -> asyncio.Future[Any]:
    """Let the list be done and the frame park, up to the scale."""
    operator = asyncio.ensure_future(shop.operator().work())
    await shop.until(lambda: shop.supervisor.state.step is Step.WEIGH, step_s=0.2)
    operator.cancel()
    return operator


def test_full_plan_takes_over_while_the_maker_weighs() -> None:
    async def scenario() -> None:
        async with open_shop() as shop:
            service, slowly = await begun(shop, lantern_plan)
            run, notices = shop.supervisor, shop.supervisor.notices
            assert "full plan is being searched for" in notices[FIRST_NOTICE]
            await weighing(shop)
            part_a_g = run.state.coat_plan.part_a_g
            await shop.ask("weigh_part", part="A", mass_g=part_a_g)
            assert run.state.plan.coats[1].ramps == first().coats[1].ramps
            slowly.do(1)
            await shop.until(lambda: not service._tasks)
            assert run.state.plan.coats == lantern_plan().coats
            assert FIRST_ANSWER not in run.state.plan.details
            assert run.state.coat.weighings == (("A", part_a_g),), "what is weighed stays"
            assert FIRST_NOTICE not in notices
            assert "takes over from the first answer; the weights stay" in notices[NOTICE]
            events = await shop.service.events(run.state.run_id)
            (event,) = [one for one in events if one.kind == "refined"]
            assert event.data["who"] == "planner"
            # A restarted controller reads the same out of the journal.
            assert fold_all(run.state.run_id, first(), events) == run.state
            await service.close()

    run_virtual(scenario())


def test_grams_that_are_weighed_stay_and_the_coats_to_come_follow() -> None:
    async def scenario() -> None:
        async with open_shop() as shop:
            asked: list[Plan] = []

            def replanner(plan: Plan, *_: Any, **__: Any) -> Plan:
                asked.append(plan)
                raise PlanError("wall", "0", "is there")

            service, slowly = await begun(
                shop, lambda: heavier(lantern_plan()), replanner=replanner
            )
            run = shop.supervisor
            await weighing(shop)
            await shop.ask("weigh_part", part="A", mass_g=run.state.coat_plan.part_a_g)
            slowly.do(1)
            await shop.until(lambda: not service._tasks)
            assert run.state.plan.coats == first().coats
            assert "already weighed by the first answer" in run.notices[NOTICE]
            assert "The remaining coats are planned from it" in run.notices[NOTICE]
            operator = asyncio.ensure_future(shop.operator().work())
            await shop.until(lambda: run.state.step is Step.REST)
            await shop.until(lambda: len(slowly.jobs) == 3)
            slowly.do(2)
            await shop.until(lambda: asked)
            operator.cancel()
            assert asked[0].coats[0] == first().coats[0]
            assert asked[0].coats[1:] == lantern_plan().coats[1:]
            recipes = asked[0].details["recipes"]
            assert list(recipes) == list(lantern_plan().details["recipes"])
            await service.close()

    run_virtual(scenario())


def test_too_late_the_first_answer_stands() -> None:
    async def scenario() -> None:
        async with open_shop(first()) as shop:
            await shop.ask("start", plan=first())
            operator = asyncio.ensure_future(shop.operator().work())
            await shop.until(lambda: shop.supervisor.state.step is Step.SPIN)
            operator.cancel()
            data = {"rest": rest_of(lantern_plan(), 0), "sentence": "late"}
            answer = await shop.ask("refined", **data)
            assert not answer.accepted
            assert "coat 1 follows the first answer" in answer.sentence
            assert shop.supervisor.state.plan.coats == first().coats

    run_virtual(scenario())


def test_full_plan_is_never_replaced() -> None:
    async def scenario() -> None:
        async with open_shop() as shop:
            await shop.ask("start", plan=lantern_plan())
            data = {"rest": rest_of(first(), 0), "sentence": "again"}
            answer = await shop.ask("refined", **data)
            assert answer.sentence == "This run was not started from a first answer."

    run_virtual(scenario())


def test_without_a_full_plan_the_first_answer_stands_and_it_is_told() -> None:
    def fails() -> Plan:
        raise PlanError("wall_mm", "9", "cannot be laid")

    async def scenario() -> None:
        async with open_shop() as shop:
            service, slowly = await begun(shop, fails)
            slowly.do(1)
            await shop.until(lambda: not service._tasks)
            assert FIRST_NOTICE not in shop.supervisor.notices
            assert "the first answer is used" in shop.supervisor.notices[NOTICE]
            assert shop.supervisor.state.plan.coats == first().coats
            await service.close()

    run_virtual(scenario())


def test_restarted_controller_searches_on() -> None:
    """The job ended with the process; the run's plan shows that a search is due."""

    async def scenario() -> None:
        async with open_shop(first()) as shop:
            await shop.ask("start", plan=first())
            slowly = Slowly()
            service = Service(
                shop.supervisor, SAMPLES, lambda *_, **__: lantern_plan(), executor=slowly
            )
            service.refining.resume()
            await shop.until(lambda: slowly.jobs)
            slowly.do(0)
            await shop.until(lambda: not service._tasks)
            assert shop.supervisor.state.plan.coats == lantern_plan().coats
            assert FIRST_ANSWER not in shop.supervisor.state.plan.details
            service.refining.resume()
            assert len(await service.plan_jobs()) == 1, "the full plan is there"
            await service.close()

    run_virtual(scenario())


@pytest.mark.parametrize("step", [Step.POUR, Step.CLOSE_UP, Step.SPIN, Step.REST])
def test_no_plan_takes_over_from_the_pour_on(step: Step) -> None:
    state = begin("r", first(), 0.0, Started(simulated=True))
    rest = rest_of(lantern_plan(), 0)
    assert cannot_take_over(state, rest) == ""
    assert "after the pour" in cannot_take_over(replace(state, step=step), rest)
