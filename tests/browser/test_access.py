"""Accessibility: WCAG 2.2 AA by axe-core, targets, contrast, zoom, motion, four sizes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from evenwall.model import Alert, ReplayView, ScaleView
from evenwall_web.reading import PAGES
from tests.browser.conftest import SIZES, OpenPhone, Past
from tests.browser.hands import begun, turning, until
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser

RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}


def no_violation(page: Page) -> None:
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found] == []


def no_sideways_scroll(page: Page) -> None:
    wide, seen = page.evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= seen


def nothing(panel: PanelServer) -> None:
    """The sheet before any run."""


def weighing(panel: PanelServer) -> None:
    """With a scale on the wire."""
    panel.call(panel.rig.next)
    panel.show(scale=ScaleView(mass_g=61.3, steady=True))


def silent_scale(panel: PanelServer) -> None:
    panel.show(scale=ScaleView(problem="scale: /dev/ttyUSB1 is silent: is it on?"))


def repeating(panel: PanelServer) -> None:
    """A replay with its comparison to the proven run."""
    turning(panel)
    replay = ReplayView(
        run_id="run-0",
        leg="level",
        cure_percent=41.0,
        proven_time_s=380.0,
        pace=1.08,
        lag_s=0.0,
        path_percent=100.0,
        gel_proven_s=840.0,
        gel_expected_s=790.0,
        sentence="The proven coat gelled at 14.0 min, this one is expected to gel at 13.2 min.",
    )
    panel.show(replay=replay)


def warned(panel: PanelServer) -> None:
    """Show an alert of each kind, after the guard was opened while the coat is liquid."""
    alerts = tuple(
        Alert(kind=kind, sentence=sentence, severity=severity, since_s=1)
        for kind, sentence, severity in (
            ("standing", "The coat is liquid and runs down: close the guard.", "act_now"),
            ("probe", "The probe is noisy: look at its cable.", "caution"),
            ("broker", "The message broker is not there.", "note"),
        )
    )
    panel.show(alerts=alerts)


@pytest.mark.parametrize("size", SIZES)
def test_the_turning_sheet_at_every_size(
    open_phone: OpenPhone, panel: PanelServer, size: str
) -> None:
    turning(panel)
    page = open_phone(panel, size)
    expect(page.locator("#count")).to_be_visible()
    no_violation(page)
    no_sideways_scroll(page)


@pytest.mark.parametrize("look", ["light", "dark"])
def test_the_sheet_through_its_states(open_phone: OpenPhone, panel: PanelServer, look: Any) -> None:
    page = open_phone(panel, "small phone", color_scheme=look)
    stages: list[Callable[[PanelServer], None]] = [
        nothing, begun, weighing, silent_scale, repeating, warned,
    ]  # fmt: skip
    for stage in stages:
        stage(panel)
        page.wait_for_timeout(300)
        no_violation(page)
        no_sideways_scroll(page)


@pytest.mark.parametrize("hash_", ["castings", "plan/globe", "runs", "people", "settings"])
def test_the_bench(open_phone: OpenPhone, panel: PanelServer, hash_: str) -> None:
    page = open_phone(panel, "small phone", color_scheme="light")
    page.goto(f"/#{hash_}")
    page.locator("#bench h1").wait_for()
    no_violation(page)
    no_sideways_scroll(page)
    # The two buttons stay wherever one is.
    expect(page.locator("#stop")).to_be_visible()


def test_a_past_run(open_phone: OpenPhone, past: Past) -> None:
    page = open_phone(past.panel, "small phone", color_scheme="light")
    page.goto(f"/#run/{past.run_id}")
    page.locator("#bench .sides canvas").first.wait_for()
    no_violation(page)
    no_sideways_scroll(page)


def test_the_plan_page(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel, "small phone")
    page.goto("/#plan/globe")
    page.get_by_role("button", name="Make the plan").tap()
    page.get_by_role("button", name="Take this plan").wait_for()
    no_violation(page)
    no_sideways_scroll(page)


def test_the_jobs_buttons_are_big_enough_for_a_glove(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, "small phone")
    begun(panel)
    page.locator("#form .tick").first.wait_for()
    sizes = page.locator("#form .tick, .bar button").evaluate_all(
        "all => all.map((e) => e.getBoundingClientRect()).map((r) => [r.width, r.height])"
    )
    turning(panel)
    page.locator("#also button").first.wait_for()
    sizes += page.locator("#also button, .bar button").evaluate_all(
        "all => all.filter((e) => !e.hidden).map((e) => e.getBoundingClientRect())"
        ".map((r) => [r.width, r.height])"
    )
    assert len(sizes) >= 9
    assert min(min(size) for size in sizes) >= 56


def luminance(rgb: list[float]) -> float:
    """Relative luminance of sRGB (WCAG 2.2, 'relative luminance')."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(page: Page, selector: str) -> float:
    """Contrast ratio of an element's text against the sheet (WCAG 2.2, 'contrast ratio')."""
    colours = page.evaluate(
        "(s) => [getComputedStyle(document.querySelector(s)).color,"
        " getComputedStyle(document.querySelector('.sheet')).backgroundColor]"
        ".map((c) => c.match(/[\\d.]+/g).slice(0, 3).map((v) => v / 255))",
        selector,
    )
    light, dark = sorted((luminance(c) for c in colours), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:
    assert (luminance([1, 1, 1]) + 0.05) / (luminance([0, 0, 0]) + 0.05) == pytest.approx(21)


@pytest.mark.parametrize("look", ["light", "dark"])
def test_the_sentence_and_the_countdown_stand_out(
    open_phone: OpenPhone, panel: PanelServer, look: Any
) -> None:
    page = open_phone(panel, color_scheme=look)
    begun(panel)
    panel.call(lambda: panel.rig.next(2))  # mixing: the time left to pour counts
    expect(page.locator("#count")).to_be_visible()
    for selector in ("#sentence", "#count-time", "#why"):
        assert contrast(page, selector) >= 7, selector
    page.locator("#count").evaluate("(e) => e.classList.add('over')")
    assert contrast(page, "#count-time") >= 7
    # Readable at two metres: digits at least a tenth of the phone's width high.
    assert (
        page.locator("#count-time").evaluate("(e) => parseFloat(getComputedStyle(e).fontSize)") > 80
    )


def test_zoom_to_twice_the_size_loses_nothing(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel, "desktop")
    turning(panel)
    # Zooming a 1280 px window to 200 % and 400 % leaves 640 and 320 CSS pixels (WCAG 1.4.10).
    for width in (640, 320):
        page.set_viewport_size({"width": width, "height": 450})
        page.wait_for_timeout(300)
        no_sideways_scroll(page)
        expect(page.locator("#stop")).to_be_visible()
    page.set_viewport_size({"width": 412, "height": 915})
    page.evaluate("document.documentElement.style.fontSize = '200%'")  # text alone: WCAG 1.4.4
    page.wait_for_timeout(300)
    no_sideways_scroll(page)


def test_a_person_who_wants_less_motion_gets_none(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, reduced_motion="reduce")
    turning(panel)
    moving = page.evaluate(
        "document.getAnimations().length + [...document.querySelectorAll('*')]"
        ".filter((e) => parseFloat(getComputedStyle(e).transitionDuration) > 0).length"
    )
    assert moving == 0


def test_it_works_by_keyboard_and_says_changes_politely(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, "desktop")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to what is due now"
    turning(panel)
    until(page, "document.getElementById('said').textContent.startsWith('Keep turning.')")
    assert page.locator("#said").get_attribute("aria-live") == "polite"
    assert "Keep turning." in page.title()
    page.locator("#stop").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#sentence")).to_have_text("Turning was stopped by hand.")


def test_no_screen_says_emergency(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    for stage in (nothing, begun, turning):
        stage(panel)
        page.wait_for_timeout(300)
        assert "emergency" not in page.locator("body").inner_text().lower()


def test_the_guide_reads_on_a_small_phone(open_phone: OpenPhone, panel: PanelServer) -> None:
    """Every page within the paper's width, reached from the sheet's foot by touch."""
    page = open_phone(panel, "small phone")
    page.get_by_role("link", name="The guide").tap()
    expect(page.locator("h1")).to_have_text("The guide")
    no_violation(page)
    for name in PAGES:
        page.goto(f"/guide/{name}")
        no_sideways_scroll(page)
        no_violation(page)
