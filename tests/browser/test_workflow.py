"""The whole job with a person: three coats by touch, and what goes wrong on the way."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from evenwall.model import Alert, ScaleView
from evenwall.model.orders import Abandon, Measure
from tests.browser.conftest import SIZES, OpenPhone
from tests.browser.hands import begun, choose_and_start, press_next, tick_all, turning, until, weigh
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("size", SIZES)
def test_three_coats_by_touch(open_phone: OpenPhone, size: str) -> None:
    with PanelServer(speed=1200) as panel:
        page = open_phone(panel, size, has_touch=True)  # a desktop may have a screen to touch
        choose_and_start(page)
        # Wrong order is explained: the list comes first.
        page.locator("#next").tap(force=True)
        expect(page.locator("#answer")).to_contain_text("still to tick")
        tick_all(page)
        expect(page.locator("#answer")).to_have_text("", timeout=3000)  # what was wanted is done
        press_next(page)
        for coat in (1, 2, 3):
            expect(page.locator("#job-coat")).to_have_text(f"coat {coat} of 3")
            page.locator("#next").tap(force=True)
            expect(page.locator("#answer")).to_contain_text("weights down first")
            page.locator("#part-a").fill("80")
            expect(page.locator("#form")).to_contain_text("For 80.0 g of A: 40.0 g of B.")
            page.locator("#part-b").fill("44")
            expect(page.locator("#form")).to_contain_text("Too much B by 10.0 %: 8.0 g more A")
            weigh(page, "80", "40")
            expect(page.locator("#written tbody tr").nth(coat - 1)).to_contain_text("80.0 g")
            for _ in range(4):  # together, mixed, degassed, poured
                press_next(page)
            # At this speed a slow machine may be past it: then the digits count on.
            count = re.compile(r"\d left to pour$|\+[\d:]+ late$")
            expect(page.locator("#count")).to_have_text(count)
            press_next(page)  # closed up: turning
            page.get_by_role("button", name="The cup has gelled").tap()
            expect(page.locator("#sentence")).to_contain_text("rest", timeout=20_000)
            press_next(page)
        expect(page.locator("#sentence")).to_have_text("Leave it to cure.")
        press_next(page)
        press_next(page)
        page.locator("#weight").fill("331")
        page.locator("#rim-1").fill("4.1")
        page.get_by_role("button", name="Write the measures down").tap()
        press_next(page)
        expect(page.locator("#sentence")).to_have_text("Done.")
        longest = ["463.8 g", "417.4 g", "12:02", "15:41", "exact"]  # of a large coat
        fits = """(table, cells) => {
            const filled = [...table.querySelectorAll("tbody td")];
            filled.forEach((td, i) => { td.textContent = cells[i % cells.length]; });
            return table.scrollWidth <= table.parentElement.clientWidth;
        }"""
        assert page.locator("#written table").evaluate(fits, longest)
        names = [c.name for c in panel.call(lambda: list(panel.service.commands))]
        assert names.count("next") == 22
        assert names.count("weigh") == 3
        measured = next(c for c in panel.service.commands if c.name == "measure")
        assert measured.order == Measure(weight_g=331.0, rim_mm=(4.1,))


def test_the_fields_to_fill_in_stand_above_the_fold_of_the_smallest_phone(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    """With the scale's own lines over them, and a word that the frame waits."""
    page = open_phone(panel, "small phone", viewport={"width": 360, "height": 640})
    begun(panel)
    waits = Alert(kind="waiting", sentence="The frame waits.", severity="caution", since_s=1.0)
    panel.service.scale = ScaleView(mass_g=61.3, steady=True)
    panel.call(lambda: panel.service.hand_work("next"))
    panel.call(lambda: panel.service.warn((waits,)))
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
    """Their last columns say when to pour next: nobody looks for them beyond the screen's edge."""
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
    expect(pour.first).to_have_css("text-align", "right")  # as the column of its fellows does


def test_stop_pause_and_the_guard(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    turning(panel)
    page.get_by_role("button", name="Pause the turning").tap()
    expect(page.locator("#sentence")).to_contain_text("Standing still")
    press_next(page)
    page.locator("#stop").tap()
    expect(page.locator("#sentence")).to_contain_text("Standing still")
    panel.call(lambda: setattr(panel.service, "guard_closed", False))
    expect(page.locator("#down")).to_contain_text("The guard is open: nothing turns.")
    page.locator("#next").tap(force=True)
    expect(page.locator("#answer")).to_have_text("The guard is open.")
    assert panel.call(lambda: panel.service.turning) is False


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
    assert panel.call(lambda: panel.service.step.value) == "prepare"


def test_a_second_phone_sees_the_same_and_a_watcher_has_no_buttons(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    one, two = open_phone(panel), open_phone(panel, "small phone", "watch")
    turning(panel)
    expect(two.locator("#sentence")).to_have_text("Keep turning.")
    expect(two.locator("#stop")).to_be_hidden()
    expect(two.locator("#next")).to_be_hidden()
    one.locator("#stop").tap()
    expect(two.locator("#sentence")).to_contain_text("Standing still")


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
    expect(page.locator("#sentence")).to_have_text("Given up.")
    assert panel.service.commands[-1].order == Abandon(reason="the mould leaks")


def test_a_note_and_a_touch_are_written_down(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    turning(panel)
    page.locator("#note-text").fill("<b>draught</b> from the door")
    page.get_by_role("button", name="Write it down").tap()
    expect(page.locator("#written .lines")).to_contain_text("<b>draught</b> from the door")
    page.get_by_role("button", name="The coat has gelled").tap()
    until(page, "evenwall.heat.marks.some((m) => m.what === 'coat')")


def test_past_runs_open_and_a_proven_one_can_be_asked_for(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel)
    page.get_by_role("link", name="Past runs").tap()
    page.locator("#bench .choices a").first.tap()
    expect(page.locator("#bench h1")).to_have_text("Lantern globe")
    expect(page.get_by_role("button", name="Mark as proven")).to_be_visible()


def test_figures_in_inches(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    turning(panel)
    page.get_by_role("link", name="Settings").tap()
    page.get_by_text("inch, oz, °F").tap()
    page.get_by_role("link", name="The job").tap()
    expect(page.locator("#heat")).to_contain_text("°F")
    expect(page.locator("#wall")).to_contain_text("0.177 in wanted")
    expect(page.locator("#written")).to_contain_text("2.69 oz")
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
    page.get_by_role("button", name="As it hangs now").tap()
    page.get_by_role("button", name="Left").tap()
    page.wait_for_timeout(300)
    assert canvas.screenshot() != before
    page.locator("#show-body").tap()
    expect(page.locator("#body")).to_be_hidden()
