"""Notes of earlier plans beside the record, and how a search is given them."""

from __future__ import annotations

from typing import Any

from evenwall.model import Plan
from evenwall.model.seal import sealed
from evenwall.planning.earlier import Earlier, earlier_of
from evenwall.service.earlier_plans import NOTES, EarlierPlans
from evenwall.service.facade import Service
from evenwall.worker_process import Stopper
from evenwall_bridge.clock import run_virtual
from tests.support.virtual_shop import SAMPLES, lantern_plan, open_shop


def searched() -> Plan:
    """A plan as a search leaves it: with the wall of its spins."""
    plan = lantern_plan()
    wall = plan.wall.model_copy(update={"min_mm": 0.8 * plan.wall.mean_mm, "mesh_error_mm": 0.1})
    return sealed(plan.model_copy(update={"wall": wall}))


def test_the_second_search_of_a_mould_begins_with_the_first_ones_spins() -> None:
    begun_with: list[tuple[Earlier, ...]] = []

    def planner(*_: Any, stopper: Stopper, earlier: tuple[Earlier, ...] = (), **__: Any) -> Plan:
        begun_with.append(earlier)
        return searched()

    async def scenario() -> None:
        async with open_shop() as shop:
            service = Service(shop.supervisor, SAMPLES, planner, stoppable=True)
            for _ in range(2):
                await service.start_plan("lantern-globe", {})
                await shop.until(lambda: not service._tasks)
                await shop.records.flush()
            await service.close()

    run_virtual(scenario())
    assert begun_with == [(), (earlier_of(searched()),)]


def test_a_note_that_cannot_be_read_is_left_alone() -> None:
    async def scenario() -> None:
        async with open_shop() as shop:
            shop.records.keep(f"{NOTES}old", '{"version": 9}')
            kept = EarlierPlans(shop.records)
            await shop.records.flush()
            assert await kept.arguments() == {}
            kept.keep(lantern_plan())  # without a search there is nothing to keep
            await shop.records.flush()
            assert await kept.arguments() == {}
            kept.keep(searched())
            kept.keep(searched())  # of the same mould, resin and coats: it replaces the earlier one
            await shop.records.flush()
            assert await kept.arguments() == {"earlier": (earlier_of(searched()),)}

    run_virtual(scenario())
