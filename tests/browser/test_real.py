"""The panel over the real controller and its simulated rig, by touch: a whole casting from the
choice to the repetition, and its safety."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPhone
from tests.browser.hands import tick_all, until
from tests.browser.person import (
    at_frame,
    button,
    cast_again,
    choose,
    compare,
    finish,
    give_up,
    hold,
    keep_turning,
    mind,
    no_look,
    one_coat,
    prepare,
    prove,
    ready,
    refused,
    rest,
    step,
    wait_for,
)
from tests.browser.real import RealPanel

pytestmark = pytest.mark.browser


def look_closely(page: Page) -> None:
    """Check the rules for every sheet at every size."""
    wide, seen = page.evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= seen
    for bar in ("#stop", "#next:visible, #at-frame:visible"):
        expect(page.locator(bar)).to_be_visible()  # one gives way to the other as the step changes
        box = page.locator(bar).bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 56
    assert page.locator("h1:visible").count() == 1


@pytest.mark.timeout(600)
def test_three_coats_with_a_person_from_the_choice_to_the_repetition(
    open_phone: OpenPhone, tmp_path: Path
) -> None:
    """Each coat is done on a screen of another size."""
    with RealPanel(tmp_path, speed=30) as panel:
        page = open_phone(panel, "phone")
        choose(page, no_look)
        look_closely(page)
        prepare(page, panel, no_look)
        part_a_g = one_coat(page, panel, 1, no_look, scale=panel)
        expect(page.locator("#written tbody tr").first).to_contain_text(f"{part_a_g} g")
        keep_turning(page, panel)
        refused(page, "ends by itself")
        button(page, "Cup has gelled")
        page.wait_for_timeout(4000)  # two minutes of turning
        hold(page, "Coat has gelled")
        expect(page.locator("#written .lines")).to_contain_text("gelled")
        mind(page, panel, lambda: step(page) == "resting")

        panel.unplug_the_scale()
        for coat, size in ((2, "small phone"), (3, "tablet")):
            page.close()
            page = open_phone(panel, size)
            rest(page, panel, no_look)
            wait_for(page, "weigh")
            expect(page.locator("#form .scale")).to_contain_text("Type the weights.")
            one_coat(page, panel, coat, no_look)
            look_closely(page)
        page.close()
        page = open_phone(panel, "desktop")
        finish(page, panel, no_look)
        look_closely(page)

        page.close()
        page = open_phone(panel, "phone")
        prove(page, no_look)
        cast_again(page)
        prepare(page, panel, no_look)
        one_coat(page, panel, 1, no_look)
        expect(page.locator("#again-now")).to_contain_text("The proven coat gelled at")
        assert page.evaluate("evenwall.heat.proven.length") > 10
        page.wait_for_timeout(3000)
        hold(page, "Coat has gelled")
        mind(page, panel, lambda: step(page) == "resting")
        give_up(page)
        compare(page, no_look)
        expect(page.locator("#bench table").first).to_contain_text("flow path")
        page.close()  # it still asks for a picture of the wall


def test_turning_starts_at_the_frame_alone_and_stops_for_the_guard_and_the_page(
    open_phone: OpenPhone, tmp_path: Path
) -> None:
    with RealPanel(tmp_path, speed=10) as panel:
        page = open_phone(panel, "small phone")
        choose(page, no_look)
        prepare(page, panel, no_look)
        one_coat(page, panel, 1, no_look)
        until(page, "evenwall.samples.at(-1)?.major_rpm !== 0")
        expect(page.locator("#stamp")).to_contain_text("simulated")

        panel.guard(False)
        expect(page.locator("#sentence")).to_contain_text("The guard is open")
        expect(page.locator("#down")).to_contain_text("The guard is open: nothing turns.")
        until(page, "evenwall.samples.at(-1).major_rpm === 0")
        at_frame(page, "Turn again")
        panel.guard(True)
        keep_turning(page, panel)
        page.locator("#stop").tap()
        expect(page.locator("#sentence")).to_contain_text("Turning was stopped by hand.")
        keep_turning(page, panel)
        give_up(page)
        ready(page)
        expect(page.locator("#bench h1")).to_have_text("Choose a casting.")


def test_a_rig_without_a_button_turns_from_the_page_by_a_stated_setting(
    open_phone: OpenPhone, tmp_path: Path
) -> None:
    """confirm_at_rig = false in the rig file; the guard still prevents turning."""
    with RealPanel(tmp_path, speed=20, confirm_at_rig=False) as panel:
        page = open_phone(panel, "phone")
        choose(page, no_look)
        tick_all(page)
        expect(page.locator("#next")).to_have_attribute("aria-disabled", "false")
        panel.guard(False)
        refused(page, "the guard is open")
        panel.guard(True)
        ready(page)
        wait_for(page, "weigh")
        assert panel.call(lambda: panel.application.service.snapshot().frame.guard_closed)
