"""Three coats by touch at every size, on a rig whose time the test moves, and their record."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from evenwall.model.orders import Measure
from tests.browser.conftest import SIZES, OpenPhone, Past
from tests.browser.hands import choose_and_start, press_next, tick_all, weigh
from tests.web.rigged import LEAP_S
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("size", SIZES)
def test_three_coats_by_touch(open_phone: OpenPhone, size: str) -> None:
    with PanelServer(speed=1, look_s=LEAP_S) as panel:
        rig = panel.rig
        page = open_phone(panel, size, has_touch=True)  # a desktop may have a screen to touch
        choose_and_start(page)
        # Wrong order is explained: the list comes first.
        page.locator("#next").tap(force=True)
        expect(page.locator("#answer")).to_contain_text("still to tick")
        tick_all(page)
        expect(page.locator("#answer")).to_have_text("", timeout=3000)  # what was wanted is done
        panel.call(lambda: rig.guard(True))
        press_next(page)
        for coat in (1, 2, 3):
            expect(page.locator("#job-coat")).to_have_text(f"coat {coat} of 3")
            page.locator("#next").tap(force=True)
            expect(page.locator("#answer")).to_contain_text("both weights first")
            page.locator("#part-a").fill("80")
            expect(page.locator("#form")).to_contain_text("For 80.0 g of A: 40.0 g of B.")
            page.locator("#part-b").fill("44")
            expect(page.locator("#form")).to_contain_text("Too much B by 10.0 %: 8.0 g more A")
            weigh(page, "80", "40")
            expect(page.locator("#written tbody tr").nth(coat - 1)).to_contain_text("80.0 g")
            panel.call(rig.ready)  # the frame has turned the opening up
            for _ in range(3):  # together, mixed, degassed
                press_next(page)
            count = re.compile(r"\d (left to pour|wait, then pour)$")
            expect(page.locator("#count")).to_have_text(count)
            panel.call(rig.ready)
            press_next(page)  # poured
            panel.call(lambda: rig.guard(True))
            press_next(page)  # closed up: turning
            panel.call(lambda: rig.pass_s(900.0))
            page.get_by_role("button", name="Cup has gelled").tap()
            panel.call(rig.turned)
            if coat < 3:
                press_next(page)
        expect(page.locator("#sentence")).to_have_text("The casting cures.")
        panel.call(rig.ready)
        press_next(page)
        press_next(page)
        page.locator("#weight").fill("331")
        page.locator("#rim-1").fill("4.1")
        page.get_by_role("button", name="Record the measures").tap()
        press_next(page)
        expect(page.locator("#sentence")).to_have_text("Done.")
        longest = ["463.8 g", "417.4 g", "12:02", "15:41", "exact"]  # of a large coat
        fits = """(table, cells) => {
            const filled = [...table.querySelectorAll("tbody td")];
            filled.forEach((td, i) => { td.textContent = cells[i % cells.length]; });
            return table.scrollWidth <= table.parentElement.clientWidth;
        }"""
        assert page.locator("#written table").evaluate(fits, longest)
        names = [c.name for c in panel.commands()]
        assert names.count("next") == 21
        assert names.count("weigh") == 3
        measured = next(c for c in panel.commands() if c.name == "measure")
        assert measured.order == Measure(weight_g=331.0, rim_mm=(4.1,))


def test_past_runs_open_and_a_proven_one_can_be_asked_for(
    open_phone: OpenPhone, past: Past
) -> None:
    page = open_phone(past.panel)
    page.get_by_role("link", name="Past runs").tap()
    page.locator("#bench .choices a").first.tap()
    expect(page.locator("#bench h1")).to_have_text("Lantern globe")
    expect(page.get_by_role("button", name="Mark as proven")).to_be_visible()
