"""A person with a phone at the real controller: does a whole casting by touch."""

from __future__ import annotations

import re
from collections.abc import Callable

from playwright.sync_api import Page, expect

from tests.browser.hands import tick_all
from tests.browser.real import RealPanel

Look = Callable[[str], None]  # told the name of what is on the screen now
LONG_ms = 400_000


def step(page: Page) -> str:
    """The step the sheet shows, in the sheet's own word."""
    return page.locator("#steps [aria-current]").inner_text()


def wait_for(page: Page, word: str) -> None:
    expect(page.locator("#steps [aria-current]")).to_have_text(word, timeout=LONG_ms)


def ready(page: Page) -> None:
    """The one button is alive; tap it."""
    button = page.locator("#next")
    expect(button).to_have_attribute("aria-disabled", "false", timeout=LONG_ms)
    button.tap()


def mind(page: Page, panel: RealPanel, enough: Callable[[], bool]) -> None:
    """Stand by until `enough`; start again at the frame whatever stopped there by itself.

    On a busy machine a rig that runs many times faster than life may be thought lost for a moment.
    """
    for _ in range(LONG_ms // 1000):
        if enough():
            return
        if page.locator("#next").inner_text() == "Turn again":
            panel.press()
        page.wait_for_timeout(1000)
    raise AssertionError(page.locator("#sentence").inner_text())


def keep_turning(page: Page, panel: RealPanel) -> None:
    mind(page, panel, lambda: page.locator("#sentence").inner_text() == "Keep turning.")


def choose(page: Page, look: Look) -> None:
    page.locator("#next").tap()
    page.locator("#bench .choices a").first.wait_for()
    look("choose")
    page.get_by_role("link", name="Lantern globe").tap()
    page.locator("#want-wall").wait_for()
    look("wishes")
    page.get_by_role("button", name="Make the plan").tap()
    take = page.get_by_role("button", name="Take this plan")
    take.wait_for(timeout=LONG_ms)
    look("plan")
    take.tap()
    expect(page.locator("#job-name")).to_have_text("Lantern globe")


def one_coat(page: Page, panel: RealPanel, coat: int, look: Look) -> None:
    wait_for(page, "weigh")
    expect(page.locator("#job-coat")).to_have_text(re.compile(f"coat {coat} of"))
    wants = page.locator("#form .why").first.inner_text()
    part_a, part_b = re.findall(r"([\d.]+) g of", wants)
    page.locator("#part-a").fill(part_a)
    page.locator("#part-b").fill(part_b)
    look("weigh")
    page.get_by_role("button", name="Write the weights down").tap()
    ready(page)
    wait_for(page, "mix")
    look("mix")
    ready(page)
    wait_for(page, "degas")
    look("degas")
    ready(page)
    wait_for(page, "pour")
    panel.guard(False)
    look("pour")
    ready(page)
    wait_for(page, "close up")
    look("close-up")
    # A screen never starts the frame: its button says where to press instead.
    page.locator("#next").tap(force=True)
    expect(page.locator("#answer")).to_contain_text("at the frame")
    panel.guard(True)
    panel.press()
    wait_for(page, "turning")
    keep_turning(page, panel)


def whole_casting(page: Page, panel: RealPanel, look: Look) -> None:
    choose(page, look)
    tick_all(page)
    look("prepare")
    panel.guard(True)
    panel.press()
    for coat in (1, 2, 3):
        one_coat(page, panel, coat, look)
        page.wait_for_timeout(8000)
        look("turning")
        mind(page, panel, lambda: step(page) in {"resting", "cure"})
        look("resting" if coat < 3 else "cure")
        if coat < 3:
            expect(page.locator("#sentence")).to_contain_text("Next coat", timeout=LONG_ms)
            look("next-coat")
            panel.press()
    ready(page)
    wait_for(page, "open the mould")
    ready(page)
    wait_for(page, "measure")
    page.locator("#weight").fill("296")
    page.locator("#rim-1").fill("4.1")
    page.locator("#spot-side").fill("4.6")
    look("measure")
    page.get_by_role("button", name="Write the measures down").tap()
    ready(page)
    expect(page.locator("#sentence")).to_have_text("Done.")
    look("done")
