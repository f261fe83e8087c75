"""The gel rod in a run: it reports one touch of the cup, as a person would, and detects its own
fault."""

from __future__ import annotations

import asyncio

import pytest

from evenwall.cli.gel_rod import DOUBT, NOTICE, WHO, RodLead
from evenwall.devices.interfaces import Stroke
from evenwall.model import Step
from evenwall.run.rod_watch import DOUBTED_STROKES, RodWatch
from evenwall_bridge.clock import run_virtual
from tests.faults.simulation import light
from tests.support.virtual_shop import Shop, open_shop

EVERY_S = 5.0


def after(*lags_s: float | None) -> RodWatch:
    watch = RodWatch()
    for number, lag_s in enumerate(lags_s):
        watch = watch.after(Stroke(EVERY_S * number, lag_s))
    return watch


@pytest.mark.parametrize(
    ("lags_s", "gelled"),
    [
        ((0.3, 0.3, 0.3, 0.4, None, None), False),
        ((0.3, 0.3, 0.3, 0.4, None, None, None), True),
        ((0.3, 0.3, 0.3, None, None, 5.0, None, None), False),  # a hand at the cup
        ((None,) * 20, False),  # never seen to swing: it says nothing about the resin
        ((0.3, 0.3, None, None, None), False),
    ],
)
def test_a_gel_is_a_rod_that_swung_and_is_held(
    lags_s: tuple[float | None, ...], gelled: bool
) -> None:
    assert after(*lags_s).gelled == gelled


def test_a_rod_that_never_swings_is_doubted() -> None:
    assert not after(*[None] * (DOUBTED_STROKES - 1)).doubtful
    assert after(*[None] * DOUBTED_STROKES).doubtful
    assert not after(0.3, 0.3, 0.3, *[None] * DOUBTED_STROKES).doubtful


async def turned(shop: Shop, *, stuck: bool) -> float:
    """Cast until a minute after the first cup has gelled, and return when it did."""
    rod = shop.twin.gel_rod(10.0)
    rod.stuck = stuck
    lead = RodLead(shop.supervisor, shop.clock, rod, EVERY_S)
    assert (await shop.ask("start", plan=shop.plan)).accepted
    work = [asyncio.create_task(lead.follow()), asyncio.create_task(shop.operator().work())]
    await shop.until(lambda: (shop.twin.cup_share(shop.clock.now_s()) or 0.0) > 1.0)
    gelled_s = shop.clock.now_s()
    assert shop.service.snapshot().step is Step.SPIN, "the rod swings while the frame turns"
    await shop.clock.sleep(60.0)
    for task in work:
        task.cancel()
    await asyncio.gather(*work, return_exceptions=True)
    return gelled_s


@pytest.mark.parametrize("stuck", [False, True])
def test_the_rod_touches_the_cup(stuck: bool) -> None:
    """Three strokes after the cup holds it, 5 s and a look of the run apart. The twin's drag holds
    it from 0.93 of the gel conversion on, so the touch is off by less than a stroke's three. A
    broken rod reports no touch, and the sheet asks for a finger."""

    async def scenario() -> None:
        async with open_shop(judges=light) as shop:
            gelled_s = await turned(shop, stuck=stuck)
            assert (shop.supervisor.notices.get(NOTICE) == DOUBT) == stuck
            state = shop.supervisor.state
            assert state is not None
            found = [at_s for what, at_s in state.coat.touches if what == "cup"]
            assert len(found) == (0 if stuck else 1)
            if not stuck:
                assert found[0] - gelled_s == pytest.approx(0.0, abs=20.0)
                rows = await shop.service.events(shop.service.snapshot().run_id or "")
                who = [row.data["who"] for row in rows if row.kind == "touched"]
                assert who == [WHO]

    run_virtual(scenario())
