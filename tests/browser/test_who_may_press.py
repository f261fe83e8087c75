"""Buttons depend on rights: a page that may only watch has none, a simulated frame has its own."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from evenwall.model import FrameButton
from evenwall.model.orders import Simulate
from tests.browser.conftest import OpenPhone
from tests.browser.hands import turning
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser


def test_a_page_that_may_watch_has_no_stop_and_says_how_to_act(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, role="watch")
    turning(panel)
    expect(page.locator("#sentence")).not_to_have_text("Looking for the rig.")
    expect(page.locator("#stop")).to_be_hidden()
    expect(page.get_by_role("link", name="This page may watch. Pair it to act")).to_be_visible()


def test_a_simulated_frame_has_its_button_on_the_page(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel)
    button = FrameButton(light="asking", short="Start turning", long="Take back: poured")
    turning(panel)
    panel.show(frame_button=button)
    page.get_by_role("button", name="Press its button").tap()
    page.get_by_role("button", name="Open or close its guard").tap()
    expect(page.locator("#frame-button")).to_contain_text("Simulated frame:")
    done = [c.order.what for c in panel.commands() if isinstance(c.order, Simulate)]
    assert done == ["button", "guard"]
