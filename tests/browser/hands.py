"""Helpers that touch the sheet as a person does."""

from __future__ import annotations

from playwright.sync_api import Error, Page, expect

from tests.web.server import PanelServer


def until(page: Page, true: str, tries: int = 200) -> None:
    """Wait until an expression is true; the page's policy forbids Playwright's own way."""
    for _ in range(tries):
        try:
            if page.evaluate(true):
                return
        except Error as error:  # the page is giving way to the next one: ask again there
            if "Execution context was destroyed" not in error.message:
                raise
        page.wait_for_timeout(50)
    raise AssertionError(f"never became true: {true}")


def settled(page: Page) -> None:
    """Wait until the page has stopped growing: a tap on a button that still moves misses it."""
    before = -1
    for _ in range(100):
        height = page.evaluate("document.documentElement.scrollHeight")
        if height == before:
            return
        before = height
        page.wait_for_timeout(300)
    raise AssertionError("the page never stopped growing")


def press_next(page: Page) -> None:
    button = page.locator("#next")
    expect(button).to_have_attribute("aria-disabled", "false")
    step = page.locator("#sentence").inner_text()
    button.tap()
    expect(page.locator("#sentence")).not_to_have_text(step)


def choose_and_start(page: Page, casting: str = "Lantern globe") -> None:
    page.locator("#next").tap()
    page.get_by_role("link", name=casting).tap()
    page.get_by_role("button", name="Make the plan").tap()
    take = page.get_by_role("button", name="Take this plan")
    take.wait_for()
    take.tap()
    expect(page.locator("#job-name")).to_have_text(casting)


def tick_all(page: Page) -> None:
    page.locator("#form .tick").first.wait_for()
    for box in page.locator("#form .tick").all():
        box.evaluate("(e) => e.scrollIntoView({ block: 'center' })")  # clear of the bar below
        box.tap()


def weigh(page: Page, part_a: str = "76.4", part_b: str = "38.2") -> None:
    page.locator("#part-a").fill(part_a)
    page.locator("#part-b").fill(part_b)
    page.get_by_role("button", name="Record the weights").tap()


def begun(panel: PanelServer) -> None:
    """Begin a run without touching a page."""
    panel.begin()


def turning(panel: PanelServer) -> None:
    """Let the first coat turn without touching a page."""
    panel.turn()
