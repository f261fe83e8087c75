"""The panel over the real controller and its simulated rig: the safety of it, by touch."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import OpenPhone
from tests.browser.hands import tick_all, until
from tests.browser.person import choose, keep_turning, one_coat, ready, wait_for
from tests.browser.real import RealPanel

pytestmark = pytest.mark.browser


def test_the_first_coat_turns_only_from_the_frame_and_stops_for_the_guard(
    open_phone: OpenPhone, tmp_path: Path
) -> None:
    with RealPanel(tmp_path, speed=10) as panel:
        page = open_phone(panel, "small phone")
        choose(page, lambda _: None)
        tick_all(page)
        # The screen's button is there, says where to press, and turns nothing.
        page.locator("#next").tap(force=True)
        expect(page.locator("#answer")).to_contain_text("at the frame")
        panel.guard(True)
        panel.press()
        one_coat(page, panel, 1, lambda _: None)
        until(page, "evenwall.samples.at(-1)?.major_rpm !== 0")
        expect(page.locator("#stamp")).to_contain_text("simulated")

        panel.guard(False)
        expect(page.locator("#sentence")).to_contain_text("The guard is open")
        expect(page.locator("#down")).to_contain_text("The guard is open: nothing turns.")
        until(page, "evenwall.samples.at(-1).major_rpm === 0")
        page.locator("#next").tap(force=True)
        expect(page.locator("#answer")).to_contain_text("at the frame")
        panel.guard(True)
        keep_turning(page, panel)
        page.locator("#stop").tap()
        expect(page.locator("#sentence")).to_contain_text("Turning was stopped by hand.")
        keep_turning(page, panel)
        page.get_by_role("button", name="Coat has gelled").tap()
        wait_for(page, "resting")
        expect(page.locator("#written tbody tr").first).to_contain_text("49.8 g")
        assert page.locator("#written .lines").inner_text().count("gelled") >= 1
        page.get_by_role("button", name="Give this casting up").tap()
        page.locator("#reason").fill("enough for a test")
        page.get_by_role("button", name="Give it up", exact=True).tap()
        expect(page.locator("#sentence")).to_have_text("This run was abandoned.")
        ready(page)
        expect(page.locator("#bench h1")).to_have_text("Choose a casting.")
