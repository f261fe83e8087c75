"""Every alert reaches the lamp, the buzzer, the sheet and the broker's payloads."""

from __future__ import annotations

import asyncio

import pytest

from evenwall.devices.interfaces import Light
from evenwall.model import Step
from evenwall.run import step
from evenwall.run import user_messages as plain
from evenwall.run.alerts import SEVERITY
from evenwall.telemetry.messages import Head, states
from evenwall_bridge.clock import run_virtual
from tests.faults.light import light
from tests.faults.simulation import plans
from tests.support.virtual_shop import Shop, open_shop

HEAD = Head(rig="small-frame", session="s1", seq=1, utc="2026-01-05T09:00:00+00:00")


def told_to_the_broker(shop: Shop) -> dict[str, str]:
    said = states(shop.service.snapshot(), HEAD)
    now, faults = said["now"].model_dump()["alerts"], said["faults"].model_dump()["alerts"]
    assert now == faults
    return {alert["kind"]: alert["sentence"] for alert in now}


@pytest.mark.parametrize("kind", sorted(plain.ALERTS))
def test_every_kind_is_lit_sounded_shown_and_sent(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scenario() -> None:
        async with open_shop(plans()[0], judges=light) as shop:
            await shop.ask("start", plan=shop.plan)
            await shop.until(lambda: shop.step is Step.PREPARE)
            beeps = shop.lamp.beeps
            monkeypatch.setattr(step, "alert_kinds", lambda *_: {kind})
            await shop.clock.sleep(5.0)
            urgent = SEVERITY[kind] == "act_now"
            assert shop.lamp.beeps - beeps == (3 if urgent else 1), "once, not every look"
            assert (shop.lamp.light is Light.ACT_NOW) is urgent
            assert told_to_the_broker(shop) == {kind: plain.ALERTS[kind]}
            assert any(line.text == plain.ALERTS[kind] for line in shop.service.snapshot().record)
            monkeypatch.setattr(step, "alert_kinds", lambda *_: set())
            await shop.clock.sleep(5.0)
            assert shop.lamp.light is not Light.ACT_NOW
            assert told_to_the_broker(shop) == {}

    run_virtual(scenario())


def test_a_guard_opened_at_the_board_lights_the_lamp_red() -> None:
    async def scenario() -> None:
        async with open_shop(plans()[0], judges=light) as shop:
            await shop.ask("start", plan=shop.plan)
            work = asyncio.ensure_future(shop.operator().work())
            await shop.until(lambda: shop.lamp.light is Light.TURNING)
            await shop.until(lambda: shop.step is Step.SPIN)
            work.cancel()
            await asyncio.gather(work, return_exceptions=True)
            beeps = shop.lamp.beeps
            shop.board.set_guard(False)
            await shop.until(lambda: shop.lamp.light is Light.ACT_NOW, limit_s=20.0)
            assert shop.lamp.beeps >= beeps + 3
            assert {"standing_liquid", "guard_open"} <= told_to_the_broker(shop).keys()

    run_virtual(scenario())
