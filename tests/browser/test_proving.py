"""Proving on the phone: the figures first, a reason where they contradict, one more question."""

from __future__ import annotations

import pytest
from playwright.sync_api import Route, expect

from evenwall.model import Spot
from tests.browser.conftest import OpenPhone, Past
from tests.browser.test_access import no_sideways_scroll

pytestmark = pytest.mark.browser


def test_the_page_does_not_wait_for_the_wall(open_phone: OpenPhone, past: Past) -> None:
    page = open_phone(past.panel, "small phone")
    held: list[Route] = []
    page.route("**/assess", lambda route: held.append(route))
    with page.expect_request("**/assess"):
        page.goto(f"/#prove/{past.run_id}")
    expect(page.locator("#bench h1")).to_have_text("Compare it with its plan.")
    expect(page.get_by_text("Comparing.")).to_be_visible()
    no_sideways_scroll(page)
    for _ in range(200):  # each turn lets the browser's messages in
        if held:
            break
        page.evaluate("1")
    held[0].continue_()
    expect(page.locator("#bench")).to_contain_text("The rim was not gauged.")
    expect(page.get_by_text("Comparing.")).to_have_count(0)


def test_proving_shows_the_plan_wants_a_reason_and_asks(open_phone: OpenPhone, past: Past) -> None:
    page = open_phone(past.panel)
    page.goto(f"/#run/{past.run_id}")
    page.get_by_role("button", name="Mark as proven").tap()
    expect(page.locator("#bench h1")).to_have_text("Compare it with its plan.")
    expect(page.locator("#bench")).to_contain_text("Coat 1 gelled at")  # later than planned
    expect(page.locator("#bench")).to_contain_text("The rim was not gauged.")
    expect(page.locator("#prove-reason")).to_have_count(0)
    page.locator("#prove-side").fill("22.9")
    page.get_by_role("button", name="Include these too").tap()
    expect(page.locator("#prove-why")).to_contain_text(
        "side: 22.9 mm, where the plan and its error allow 3.8 mm to 5.4 mm."
    )
    # Without a reason the page asks for one, and nothing is sent.
    page.locator("#next").tap()
    expect(page.locator("#bench .answer")).to_contain_text("Say why it is proven")
    assert not [command for command in past.panel.commands() if command.name == "prove"]
    page.locator("#prove-reason").fill("a trial of the pool")
    page.locator("#next").tap()
    expect(page.locator("#answer")).to_contain_text("cannot be changed afterwards")
    page.locator("#ask-no").tap()
    expect(page.locator("#answer")).to_have_text("")
    page.locator("#next").tap()
    page.locator("#ask-yes").tap()
    expect(page.locator("#answer")).to_contain_text("Proven")
    last = past.panel.commands()[-1].order
    assert last.confirmed is True
    assert last.reason == "a trial of the pool"
    assert last.spots == (Spot(where="side", wall_mm=22.9),)
