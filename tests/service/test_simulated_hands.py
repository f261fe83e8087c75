"""A page alone can operate a simulated frame for a casting; a real rig refuses."""

from __future__ import annotations

from evenwall.devices.interfaces import Press
from evenwall.model import Step
from evenwall.service.simulated_hands import REAL, SimulatedHands
from evenwall_bridge.clock import run_virtual
from tests.support.castings import Foresight
from tests.support.virtual_shop import open_shop


def test_the_page_turns_a_simulated_frame_and_never_a_real_one() -> None:
    async def scenario() -> None:
        judge = Foresight()
        async with open_shop(judges=judge) as shop:
            judge.twin = shop.twin
            await shop.ask("start", plan=shop.plan)
            await shop.ask("tick", all=True)
            refused = await shop.ask("simulate", what="button")
            assert (refused.accepted, refused.sentence) == (False, REAL)
            shop.service.simulated = SimulatedHands(
                press=lambda held: shop.buttons.press(Press.LONG if held else Press.NEXT),
                guard=lambda: shop.board.set_guard(not shop.service.snapshot().frame.guard_closed),
            )
            # With the guard open the simulated button starts nothing either.
            if shop.service.snapshot().frame.guard_closed:
                await shop.ask("simulate", what="guard", key="guard-opened")
                await shop.clock.sleep(2.0)
            await shop.ask("simulate", what="button", key="button-early")
            await shop.clock.sleep(2.0)
            assert shop.service.snapshot().step is Step.PREPARE
            await shop.ask("simulate", what="guard", key="guard-closed")
            await shop.clock.sleep(2.0)
            await shop.ask("simulate", what="button", key="button-then")
            await shop.until(lambda: shop.step is Step.WEIGH, 60.0)
            await shop.ask("abandon", reason="seen enough")

    run_virtual(scenario())
