"""An offered change of the spin on a small phone: reason, gain, time left, and two buttons."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from evenwall.model import Step
from tests.browser.conftest import OpenPhone
from tests.support.spins import slower
from tests.web.plans import small_plan
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser
PHONE = {"viewport": {"width": 360, "height": 780}}
LEFT = re.compile(r"^The planned spin goes on by itself in \d:\d\d\.$")


def offer(panel: PanelServer) -> None:
    """Turn the first coat and offer a change that begins in four minutes."""
    panel.turn()
    assert panel.call(lambda: panel.rig.supervisor.state.step) is Step.SPIN
    change = slower(small_plan().coats[0], 250.0)
    panel.ask("spin_changed", change=change, ask=True)


def offered(page: Page) -> None:
    box = page.locator("#offer")
    expect(box).to_contain_text("The coat gels earlier than planned.")
    expect(box).to_contain_text(re.compile(r"3\.90\smm at its thinnest, instead of 3\.70\smm"))
    expect(page.locator("#offer-time")).to_have_text(LEFT)
    expect(page.locator("#alerts")).not_to_contain_text("can be changed")  # said once


@pytest.mark.parametrize("takes", [True, False])
def test_an_offer_is_taken_or_left_by_touch(open_phone: OpenPhone, takes: bool) -> None:
    with PanelServer(speed=1) as panel:
        page = open_phone(panel, has_touch=True, **PHONE)
        offer(panel)
        offered(page)
        for button in page.locator("#offer button").all():
            place = button.bounding_box()
            assert place is not None
            assert place["height"] >= 44  # as large as a gloved finger needs (WCAG 2.2, 2.5.5)
            assert place["x"] >= 0
            assert place["x"] + place["width"] <= 360
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        page.get_by_role("button", name="Change the spin" if takes else "Leave it as").tap()
        expect(page.locator("#offer")).to_be_hidden()
        changes = panel.call(lambda: panel.rig.supervisor.state.coat.changes)
        assert len(changes) == (1 if takes else 0)
        if takes:
            expect(page.locator("#alerts")).to_contain_text("The rest of its spin was changed")
        else:
            expect(page.locator("#alerts")).not_to_contain_text("spin was changed")


def test_an_offer_goes_by_itself(open_phone: OpenPhone) -> None:
    with PanelServer(speed=1) as panel:
        page = open_phone(panel, has_touch=True, **PHONE)
        offer(panel)
        offered(page)
        panel.call(lambda: panel.rig.pass_s(240.0))
        expect(page.locator("#offer")).to_be_hidden()
        assert panel.call(lambda: panel.rig.supervisor.state.coat.changes) == ()
