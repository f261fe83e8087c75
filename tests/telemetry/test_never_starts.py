"""With the real supervisor: no command that MQTT may carry ever starts the frame."""

from __future__ import annotations

from typing import get_args

from evenwall.devices.interfaces import Press
from evenwall.errors import InputError
from evenwall.model import MqttSpec, Step
from evenwall.model.orders import ORDERS
from evenwall_bridge.clock import run_virtual
from evenwall_bridge.contract import Mode
from tests.support.virtual_shop import Shop, open_shop

ALLOWABLE = get_args(get_args(MqttSpec.model_fields["commands"].annotation)[0])
WORDS = (
    {},
    {"text": "resume", "what": "coat", "gelled": True, "wall_mm": 4.5, "where": "rim"},
)


async def everything(shop: Shop, round_: int) -> None:
    """Each command with each data, then a minute in which a frame could begin to move."""
    coat = shop.plan.coats[0]  # weighed as planned; otherwise no command would lead any further
    weights = {"part_a_g": coat.part_a_g, "part_b_g": coat.part_b_g}
    for name in ALLOWABLE:
        asked = 0
        for number, data in enumerate((*WORDS, {**weights, "part": "A", "mass_g": 50.0})):
            fits = {k: v for k, v in data.items() if k in ORDERS[name].model_fields}
            try:
                await shop.ask(name, f"{name}-{number}-{round_}", **fits)
            except InputError:  # as the broker's gate refuses a command whose data are missing
                continue
            asked += 1
        assert asked, name
    await shop.clock.sleep(60.0)


def test_no_allowable_command_starts_the_frame() -> None:
    async def scenario() -> None:
        async with open_shop() as shop:

            async def stands() -> bool:
                """Return whether the frame stood still while everything was tried on it."""
                await shop.until(lambda: shop.rig.state.mode is not Mode.TURNING, 300.0)
                await shop.clock.sleep(5.0)
                before, step = shop.board.steps(), shop.service.snapshot().step
                await everything(shop, len(seen))
                return before == shop.board.steps() and step is shop.service.snapshot().step

            seen: list[Step] = []
            shop.board.set_guard(True)
            assert await stands()
            await shop.ask("start", plan=shop.plan)
            await shop.ask("tick", all=True)
            while Step.SPIN not in seen:
                assert len(seen) < 20, seen
                assert await stands(), seen
                shop.buttons.press(Press.NEXT)
                await shop.clock.sleep(5.0)
                seen.append(shop.service.snapshot().step)
            assert {Step.WEIGH, Step.MIX, Step.POUR, Step.CLOSE_UP} <= set(seen)
            # Once it has turned and a person has stopped it, it stays stopped.
            await shop.until(lambda: shop.rig.state.mode is Mode.TURNING, 120.0)
            await shop.ask("stop_turning", "halt")
            assert await stands()

    run_virtual(scenario())
