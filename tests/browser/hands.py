"""Helpers that touch the sheet as a person does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from playwright.sync_api import Error, Locator, Page, expect

from tests.web.server import PanelServer


def until(page: Page, true: str, tries: int = 600) -> None:
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


STILL = 3  # looks at a target's place, AIM_ms apart, that must agree before it is touched
AIM_ms = 50


def taking_aim(tap: Callable[..., None]) -> Callable[..., None]:
    """Return Playwright's `Locator.tap`, which first waits until its target keeps its place.

    A page draws what it hears, and grows meanwhile. A person who sees a button move touches it
    again; a test that has missed it waits for nothing.
    """

    def place_of(target: Locator) -> dict[str, float] | None:
        """Return its place in the window, or None while the page replaces it."""
        try:
            target.scroll_into_view_if_needed()
            return dict(target.bounding_box() or {})
        except Error as error:
            if "not attached" not in error.message:
                raise
            return None

    def aimed(target: Locator, **more: Any) -> None:
        place, alike = place_of(target), 0
        for _ in range(100):
            if alike == STILL:
                break
            target.page.wait_for_timeout(AIM_ms)
            now = place_of(target)
            place, alike = now, alike + 1 if now and now == place else 0
        tap(target, **more)

    return aimed


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
