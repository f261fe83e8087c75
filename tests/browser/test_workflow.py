"""A casting by a person on the real service: the presses, and the mistakes on the way."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from evenwall.model import Alert, ScaleView, Step
from evenwall.model.orders import Abandon
from tests.browser.conftest import OpenPhone
from tests.browser.hands import begun, press_next, turning, until
from tests.browser.person import hold
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser


def test_the_fields_to_fill_in_stand_above_the_fold_of_the_smallest_phone(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    """Even with the scale's lines above them, and a note that the frame waits."""
    page = open_phone(panel, "small phone", viewport={"width": 360, "height": 640})
    begun(panel)
    waits = Alert(kind="waiting", sentence="The frame waits.", severity="caution", since_s=1.0)
    panel.call(panel.rig.next)
    scale = ScaleView(mass_g=61.3, steady=True)
    panel.call(lambda: panel.rig.show(scale=scale, alerts=(waits,)))
    page.locator("#scale-take").wait_for()
    expect(page.locator("#alerts")).to_contain_text("waits")
    page.wait_for_timeout(300)
    bar = page.locator(".bar").bounding_box()
    assert bar is not None
    for field, wanted in (("#part-a", "A: 76.4 g wanted"), ("#part-b", "B: 38.2 g wanted")):
        box = page.locator(field).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= bar["y"]
        expect(page.locator(f"label[for={field[1:]}]")).to_have_text(wanted)


def test_a_plans_tables_fit_a_small_phone(open_phone: OpenPhone, panel: PanelServer) -> None:
    """Their last columns say when to pour next, so they must not lie beyond the screen's edge."""
    page = open_phone(panel, "small phone")
    page.locator("#next").tap()
    page.get_by_role("link", name="Lantern globe").tap()
    page.get_by_role("button", name="Make the plan").tap()
    page.get_by_role("button", name="Take this plan").wait_for()
    page.get_by_role("columnheader", name="next pour").wait_for()
    widths = "t => [t.scrollWidth, t.parentElement.clientWidth]"
    wide = f"[...document.querySelectorAll('#bench table')].map({widths})"
    tables = page.evaluate(wide)
    assert len(tables) == 2
    assert all(needed <= there for needed, there in tables)
    pour = page.locator("#bench table").nth(1).locator("tbody tr td:nth-child(2)")
    assert all(text.startswith("to ") for text in pour.all_inner_texts())
    expect(pour.first).to_have_css("text-align", "right")  # like the other figures of its column


def test_stop_pause_and_the_guard(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    turning(panel)
    page.get_by_role("button", name="Pause").tap()
    expect(page.locator("#sentence")).to_have_text("Turning is paused.")
    press_next(page)
    page.locator("#stop").tap()
    expect(page.locator("#sentence")).to_have_text("Turning was stopped by hand.")
    panel.call(lambda: panel.rig.guard(False))
    expect(page.locator("#down")).to_contain_text("The guard is open: nothing turns.")
    page.locator("#next").tap(force=True)
    expect(page.locator("#answer")).to_have_text("It cannot turn: the guard is open.")
    assert panel.call(panel.rig.stands)


def test_a_press_on_a_sheet_that_moved_on_does_nothing(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel)
    begun(panel)
    expect(page.locator("#job-name")).to_have_text("Lantern globe")
    answer = page.evaluate(
        "evenwall.line.command('next', {}, 'an older step').catch((e) => e.message)"
    )
    assert "moved on" in answer
    assert panel.call(lambda: panel.service.snapshot().step) is Step.PREPARE


def test_a_second_phone_sees_the_same_and_a_watcher_has_no_buttons(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    one, two = open_phone(panel), open_phone(panel, "small phone", "watch")
    turning(panel)
    expect(two.locator("#sentence")).to_have_text("Keep turning.")
    expect(two.locator("#stop")).to_be_hidden()
    expect(two.locator("#next")).to_be_hidden()
    one.locator("#stop").tap()
    expect(two.locator("#sentence")).to_have_text("Turning was stopped by hand.")


def test_pairing_another_phone_and_unpairing_it(open_phone: OpenPhone, panel: PanelServer) -> None:
    one = open_phone(panel)
    one.goto("/#people")
    one.get_by_role("button", name="A code to act").tap()
    code = one.locator(".code").inner_text()
    assert one.locator("svg.qr path").get_attribute("d")
    two = open_phone(panel, role=None)
    two.goto("/#people")
    two.locator("#code").fill(code)
    two.locator("#phone").fill("Second phone")
    two.get_by_role("button", name="Pair", exact=True).tap()
    expect(two.locator("#stop")).to_be_visible()
    one.reload()
    one.get_by_role("button", name="Unpair Second phone").tap()
    expect(one.get_by_role("button", name="Unpair Second phone")).to_have_count(0)
    # Its own rig still lets anyone on this machine read, but it may act no more.
    expect(two.locator("#stop")).to_be_hidden(timeout=10_000)


def test_giving_up_asks_why(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    begun(panel)
    page.get_by_role("button", name="Give this casting up").tap()
    page.locator("#reason").fill("the mould leaks")
    page.get_by_role("button", name="Give it up", exact=True).tap()
    expect(page.locator("#sentence")).to_have_text("This run was abandoned.")
    assert panel.rig.commands[-1].order == Abandon(reason="the mould leaks")


def test_a_note_and_a_touch_are_written_down(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    turning(panel)
    page.locator("#note-text").fill("<b>draught</b> from the door")
    page.get_by_role("button", name="Write it down").tap()
    expect(page.locator("#written .lines")).to_contain_text("<b>draught</b> from the door")
    hold(page, "Coat has gelled")
    until(page, "evenwall.heat.marks.some((m) => m.what === 'coat')")


def test_figures_in_inches(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    turning(panel)
    page.get_by_role("link", name="Settings").tap()
    page.get_by_text("inch, oz, °F").tap()
    page.get_by_role("link", name="The job").tap()
    expect(page.locator("#heat")).to_contain_text("°F")
    expect(page.locator("#wall")).to_contain_text("0.177 in wanted")
    expect(page.locator("#written")).to_contain_text("2.695 oz")
    page.reload()
    expect(page.locator("#heat")).to_contain_text("°F")


def test_the_casting_turned_round_is_loaded_only_when_asked(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    turning(panel)
    assert not [url for url in asked if "three" in url]
    page.locator("#show-body").tap()
    canvas = page.locator("#body canvas")
    canvas.wait_for(timeout=15_000)
    expect(page.locator("#body .figures:not([role])")).to_have_text("As planned.")
    before = canvas.screenshot()
    page.get_by_role("button", name="As it is turned now").tap()
    page.get_by_role("button", name="Left").tap()
    page.wait_for_timeout(300)
    assert canvas.screenshot() != before
    page.locator("#show-body").tap()
    expect(page.locator("#body")).to_be_hidden()
