"""Planning can be watched, ended early, left and found again."""

from __future__ import annotations

from typing import Any

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


def test_a_plan_tells_its_lessons_and_they_can_be_set_aside(
    open_phone: OpenPhone, panel: PanelServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service is told whether to use them; the page shows each sentence once."""
    said = ["From the last measured casting of this mould in this resin: the rim was as predicted."]
    wished: list[bool] = []
    make = panel.rig.service._jobs.make

    async def noting(job_id: str, casting: Any, spec: Any, *, lessons: bool = True) -> None:
        wished.append(lessons)
        panel.rig.planner.sentences = said if lessons else []
        await make(job_id, casting, spec, lessons=lessons)

    monkeypatch.setattr(panel.rig.service._jobs, "make", noting)
    page = open_phone(panel, **PHONE)
    for aside in (False, True):
        page.goto("/#castings")
        page.goto("/#plan/globe")
        if aside:
            page.get_by_label("Measured castings").select_option("set them aside")
        page.get_by_role("button", name="Make the plan").tap()
        page.get_by_role("button", name="Take this plan").wait_for()
        told = page.locator("#bench p", has_text=said[0])
        expect(told).to_have_count(0 if aside else 1)
    assert wished == [True, False]


def test_the_mountings_of_a_mould_are_compared_and_a_better_one_is_chosen(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    """The chosen one is written into the casting's own file."""
    page = open_phone(panel, **PHONE)
    comparing = panel.rig.planner.comparing
    comparing.going.clear()
    page.goto("/#plan/globe")
    page.get_by_role("link", name="Ways to mount it").tap()
    page.get_by_role("button", name="Compare the mountings").tap()
    bench = page.locator("#bench")
    expect(bench).to_contain_text("Mounting 2 of 3.")
    page.get_by_role("button", name="Cancel").tap()
    expect(bench.locator("h1")).to_have_text("The mountings were not compared.")
    comparing.going.set()
    page.get_by_role("link", name="Once more").tap()
    page.get_by_role("button", name="Compare the mountings").tap()
    rows = bench.locator(".ways li")
    expect(rows).to_have_count(2)
    expect(rows.first).to_contain_text("0.93 of the mean wall at the thinnest")
    expect(rows.last).to_contain_text("Mouth 50° off the minor axis, as in the file.")
    expect(bench.get_by_role("button", name="Mount it so")).to_have_count(1)
    inside = "document.documentElement.scrollWidth <= innerWidth"
    assert page.evaluate(inside)
    page.get_by_role("button", name="Mount it so").tap()
    page.get_by_role("button", name="Make the plan").wait_for()
    kept = panel.rig.service.library.casting("globe").casting
    assert kept["mount"]["minor_axis"] == [0.6, 0.0, 0.8]
