"""A whole three-coat casting in virtual time: the real firmware core, the twin, the estimator."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from evenwall.geometry.mould import load_cavity
from evenwall.model import Step, read_casting
from evenwall.planning.assemble import assemble
from evenwall.planning.batch import POUR_S
from evenwall.planning.context import PlanningContext
from evenwall.planning.recipe import Recipe
from evenwall.planning.search import Found
from evenwall.run.folding import fold_all
from evenwall_bridge.clock import run_virtual
from tests.support.virtual_shop import SAMPLES, Shop, open_shop, sample_rig


async def _cast(shop: Shop) -> dict[int, float]:
    """Run a casting to its end; returns when each coat really gelled, on its own clock."""
    answer = await shop.ask("start", plan=shop.plan)
    assert answer.accepted, answer.sentence
    gelled: dict[int, float] = {}

    def note() -> bool:
        shown = shop.service.snapshot()
        if shown.step is Step.SPIN and math.isfinite(shop.twin.coat_gel_s):
            gelled[shown.coat] = shop.twin.coat_gel_s
        return False

    shop.supervisor.on_event = _both(shop.supervisor.on_event, note)
    last = await shop.operator().work()
    assert last.step is Step.DONE
    return gelled


def _both(first, second):  # type: ignore[no-untyped-def]
    def both(event, plan):  # type: ignore[no-untyped-def]
        first(event, plan)
        second()

    return both


@pytest.mark.slow
def test_a_whole_casting_with_the_estimator() -> None:
    async def scenario() -> None:
        async with open_shop(seed=3) as shop:
            gelled = await _cast(shop)
            shown = shop.service.snapshot()
            events = await shop.service.events(shown.run_id or "")
            assert [coat.done for coat in shown.coats] == [True] * 3
            for coat in shown.coats:
                # Exact: the pins' step edges against the integer model of what was handed over.
                assert coat.steps_expected is not None
                assert coat.steps_expected == coat.steps_counted
                assert coat.gel_detected_s is not None
                # The estimator's stated risk: three in two hundred called more than 5 % early. Its
                # best guess is held to 20 % only to see that it speaks of this coat at all.
                assert coat.gel_detected_s == pytest.approx(gelled[coat.coat], rel=0.2)
            called = [event for event in events if event.kind == "gelled"]
            assert [event.data["how"] for event in called] == ["probe"] * 3
            assert fold_all(shown.run_id or "", shop.plan, events) == shop.supervisor.state
            # Three parks down and three up, where the pins say the frame is.
            parks = [event.data["at"] for event in events if event.kind == "parked"]
            assert parks == ["up", "down"] * 3
            major_deg, _ = shop.twin.angles_deg()
            assert major_deg == pytest.approx(180.0, abs=360.0 / 19_200)

    run_virtual(scenario())


@pytest.mark.slow
def test_a_casting_whose_mixes_stand() -> None:
    """The mixes are poured when the plan says, none early, and nobody is reported late or
    missing."""
    casting = read_casting(SAMPLES / "lantern-globe.toml")
    bench = PlanningContext(casting, sample_rig(), load_cavity(casting))
    found = Found(recipes=(Recipe(stand=2), Recipe(stand=1, bias=-0.02), Recipe(reverse=True)))
    found.recipes = tuple(replace(one, coat=k) for k, one in enumerate(found.recipes))
    options = bench.rests(bench.batch(casting.wall_mm / 3), 3)
    plan = assemble(bench, options, found, (), 0)

    async def scenario() -> None:
        async with open_shop(plan=plan, seed=3) as shop:
            await _cast(shop)
            for planned, done in zip(plan.coats, shop.supervisor.state.coats, strict=True):
                assert done.poured_s is not None
                assert done.parts_met_s is not None
                assert done.spin_from_s is not None
                # This person's pours take their usual time or a quarter less.
                begun_s = done.poured_s - done.parts_met_s - 0.75 * POUR_S
                assert begun_s > planned.clock.pour_from_s
                turned_s = done.spin_from_s - done.parts_met_s
                # A person's hands, and the looks between them: half a minute at the most.
                assert turned_s < planned.clock.spin_from_s + 30.0
            assert plan.coats[0].clock.pour_from_s > plan.coats[1].clock.pour_from_s > 0.0
            run_id = shop.service.snapshot().run_id or ""
            events = await shop.service.events(run_id)
            told = {event.data["alert"] for event in events if event.kind == "alert"}
            assert not told & {"late_start", "late_pour", "waiting", "early_pour"}

    run_virtual(scenario())
