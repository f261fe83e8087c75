"""Planning can be watched, ended early, left and found again."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import OpenPhone
from tests.browser.hands import begun
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser
PHONE = {"viewport": {"width": 360, "height": 780}}


def test_a_search_is_ended_with_its_best_so_far_or_given_up(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, **PHONE)
    panel.rig.planner.going.clear()
    for button, then in (
        ("Use the best so far", "Lantern globe"),
        ("Cancel", "No plan was found."),
    ):
        page.goto("/#plan/globe")
        page.locator("#want-shop").fill("18")
        page.get_by_role("button", name="Make the plan").tap()
        page.get_by_role("button", name=button).tap()
        expect(page.locator("#bench h1")).to_have_text(then)
        if button == "Use the best so far":  # the mould goes along with the shop
            expect(page.locator("#bench")).to_contain_text("shop 18.0 °C, mould 18.0 °C.")
    page.get_by_role("link", name="Change the request").tap()
    page.goto("/#castings")
    page.get_by_role("link", name="Plans").tap()
    rows = page.locator("#bench .choices li")
    expect(rows).to_have_count(2)
    expect(rows.first).to_contain_text("no plan")
    expect(rows.last).to_contain_text("ready")
    rows.last.locator("a").tap()
    page.get_by_role("button", name="Take this plan").wait_for()


def test_the_next_casting_is_planned_while_one_is_under_way(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    begun(panel)
    page = open_phone(panel, **PHONE)
    page.get_by_role("link", name="Castings").tap()
    page.get_by_role("link", name="Lantern globe").tap()
    page.get_by_role("button", name="Make the plan").tap()
    page.get_by_role("link", name="All plans").first.tap()
    expect(page.locator("#bench .choices li")).to_have_count(1)
    expect(page.locator("#next")).to_have_text("Back to the job")
