"""A person with a phone at the real controller, who does a whole casting by touch."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Protocol

from playwright.sync_api import Page, expect

from tests.browser.hands import tick_all
from tests.browser.real import RealPanel

Look = Callable[[str], None]  # called with the name of the present screen
LONG_ms = 120_000
HOLD_ms = 1500  # a second on the button, and the answer


class AtFrame(Protocol):
    """The button and the guard at the frame."""

    def press(self) -> None: ...

    def guard(self, closed: bool) -> None: ...


def no_look(_: str) -> None:
    """Nobody looks."""


def press(page: Page, selector: str) -> None:
    """Tap on a touch screen, click with a mouse; a button that must wait is pressed too, to read
    the reason."""
    target = page.locator(selector)
    target.wait_for()
    if page.evaluate("navigator.maxTouchPoints > 0"):
        target.tap(force=True)
    else:
        target.click(force=True)


def button(page: Page, name: str) -> None:
    target = page.get_by_role("button", name=name, exact=True)
    target.wait_for()
    if page.evaluate("navigator.maxTouchPoints > 0"):
        target.tap()
    else:
        target.click()


def hold(page: Page, name: str) -> None:
    """Press and hold, and confirm if the sheet asks."""
    target = page.get_by_role("button", name=f"Hold: {name}", exact=True)
    target.wait_for()
    target.dispatch_event("pointerdown")
    page.wait_for_timeout(HOLD_ms)
    yes = page.locator("#ask-yes")
    if yes.is_visible():
        yes.click()


def step(page: Page) -> str:
    """Return the name of the step that the sheet shows."""
    return page.locator("#steps [aria-current]").inner_text()


def wait_for(page: Page, word: str) -> None:
    expect(page.locator("#steps [aria-current]")).to_have_text(word, timeout=LONG_ms)


def ready(page: Page) -> None:
    """Check that the main button is enabled, and press it."""
    expect(page.locator("#next")).to_have_attribute("aria-disabled", "false", timeout=LONG_ms)
    press(page, "#next")


def refused(page: Page, why: str) -> None:
    """Check that the main button must wait, press it, and check its reason."""
    press(page, "#next")
    expect(page.locator("#answer")).to_contain_text(why)


def at_frame(page: Page, word: str) -> None:
    """Expect words and no button if only the frame can do the next step."""
    line = page.locator("#at-frame")
    expect(line).to_contain_text("→ Button at the frame", timeout=LONG_ms)
    expect(line).to_contain_text(word, timeout=LONG_ms)
    expect(page.locator("#next")).to_be_hidden()
    assert line.get_by_role("button").count() == 0


def mind(page: Page, panel: AtFrame, enough: Callable[[], bool]) -> None:
    """Wait until `enough`; restart at the frame after every stop by itself.

    On a busy machine a rig at many times real speed may count as lost for a moment.
    """
    for _ in range(LONG_ms // 250):
        if enough():
            return
        if page.locator("#at-frame:visible", has_text="Turn again").count():
            panel.press()
        page.wait_for_timeout(250)
    raise AssertionError(page.locator("#sentence").inner_text())


def keep_turning(page: Page, panel: AtFrame) -> None:
    mind(page, panel, lambda: page.locator("#sentence").inner_text() == "Keep turning.")


def turning_for(page: Page, panel: AtFrame, time_ms: float) -> None:
    for _ in range(4):
        page.wait_for_timeout(time_ms / 4)
        keep_turning(page, panel)


def choose(page: Page, look: Look, wall: str | None = None) -> None:
    """wall: the wall to type, in the page's unit; None leaves the sample's."""
    press(page, "#next")
    page.locator("#bench .choices a").first.wait_for()
    look("choose")
    page.get_by_role("link", name="Lantern globe").tap()
    page.locator("#want-wall").wait_for()
    page.locator("#want-resin").select_option(label="Quick Clear")
    if wall is not None:
        page.locator("#want-wall").fill(wall)
    look("wishes")
    button(page, "Make the plan")
    page.get_by_role("button", name="Take this plan").wait_for(timeout=LONG_ms)
    page.locator("#bench .sides canvas").first.wait_for(timeout=LONG_ms)
    look("plan")
    button(page, "Take this plan")
    expect(page.locator("#job-name")).to_have_text("Lantern globe")


def wanted(page: Page) -> tuple[str, str]:
    """Return the masses of A and B that the sheet asks for, in its unit."""
    words = page.locator("#form .fields").inner_text()
    part_a, part_b = re.findall(r"([\d.]+)\s(?:g|oz) wanted", words)
    return part_a, part_b


def in_inches(page: Page) -> bool:
    """Whether this phone shows inches, ounces and Fahrenheit."""
    kept = page.evaluate("JSON.parse(localStorage.getItem('evenwall.settings') ?? '{}')")
    return bool(kept.get("units") == "inch")


def weigh_by_hand(page: Page, part_a: str, part_b: str) -> None:
    page.locator("#part-a").fill(part_a)
    page.locator("#part-b").fill(part_b)


def weigh_on_the_scale(page: Page, panel: RealPanel, part_a: str, part_b: str, look: Look) -> None:
    """Weigh with the scale: cup on, tare, pour; each part is taken without a touch."""
    told = page.locator("#form .scale")
    for part, mass, cup_g in (("A", float(part_a), 12.0), ("B", float(part_b), 14.0)):
        panel.load(cup_g)
        expect(told).to_contain_text("tare the scale")
        panel.tare()
        expect(told).to_contain_text(f"Pour part {part}")
        for share in (0.25, 0.5, 0.75):
            panel.load(round(cup_g + share * mass, 1))
            page.wait_for_timeout(600)
        expect(page.locator("#scale-now")).to_have_text(re.compile(r"^[\d.]+\sg to go$"))
        if part == "B":  # still pouring: the ratio follows
            expect(page.locator("#form")).to_contain_text("Too little B")
            look("weigh")
        panel.load(round(cup_g + mass, 1))
        expect(page.locator(f"#part-{part.lower()}")).to_have_value(f"{mass:.1f}", timeout=LONG_ms)
        panel.load(0.0)
        expect(page.locator("#scale-now")).to_contain_text("-")  # an empty pan after a tare
    button(page, f"Take back: {float(part_b):.1f} g of part B")
    expect(page.locator("#part-b")).to_have_value("")
    weigh_by_hand(page, part_a, part_b)


def one_coat(
    page: Page,
    panel: AtFrame,
    coat: int,
    look: Look,
    *,
    scale: RealPanel | None = None,
    by_hand_ms: float = 0.0,
) -> str:
    """by_hand_ms: what mixing and degassing take, each; pouring and closing up take less than half
    of it. Returns the grams of A."""
    wait_for(page, "weigh")
    expect(page.locator("#job-coat")).to_have_text(re.compile(f"coat {coat} of"))
    part_a, part_b = wanted(page)
    if scale is not None:
        weigh_on_the_scale(page, scale, part_a, part_b, look)
    else:
        weigh_by_hand(page, part_a, part_b)
    look("weigh")
    button(page, "Record the weights")
    ready(page)
    wait_for(page, "mix")
    page.wait_for_timeout(by_hand_ms)
    look("mix")
    ready(page)
    wait_for(page, "degas")
    page.wait_for_timeout(by_hand_ms)
    look("degas")
    ready(page)
    wait_for(page, "pour")
    panel.guard(False)
    expect(page.locator("#sentence")).to_contain_text("Pour now", timeout=LONG_ms)
    look("pour")
    page.wait_for_timeout(0.4 * by_hand_ms)
    ready(page)
    wait_for(page, "close up")
    look("close-up")
    page.wait_for_timeout(0.4 * by_hand_ms)
    # A screen never starts the frame: it says where to press instead.
    panel.guard(True)
    at_frame(page, "Start turning")
    panel.press()
    wait_for(page, "turning")
    keep_turning(page, panel)
    return part_a


def prepare(page: Page, panel: AtFrame, look: Look) -> None:
    at_frame(page, "still to tick")
    tick_all(page)
    look("prepare")
    panel.guard(True)
    at_frame(page, "Ready")
    expect(page.locator("#at-frame")).not_to_contain_text("still to tick", timeout=LONG_ms)
    panel.press()


def rest(page: Page, panel: AtFrame, look: Look) -> None:
    """Wait until the next coat may be weighed; the sheet says when, and where to press."""
    mind(page, panel, lambda: step(page) == "resting")
    expect(page.locator("#sentence")).to_contain_text("Next coat", timeout=LONG_ms)
    look("next-coat")
    panel.press()


def finish(page: Page, panel: AtFrame, look: Look) -> None:
    """Cure, open the mould, measure; the record closes."""
    mind(page, panel, lambda: step(page) == "cure")
    refused(page, "In ")
    look("cure")
    ready(page)
    wait_for(page, "open the mould")
    look("demould")
    ready(page)
    wait_for(page, "measure")
    refused(page, "Write the weight down first")
    gram, millimetre = (16 / 453.59237, 1 / 25.4) if in_inches(page) else (1.0, 1.0)
    page.locator("#weight").fill(f"{274 * gram:.3f}")
    page.locator("#rim-1").fill(f"{4.1 * millimetre:.3f}")
    page.locator("#spot-side").fill(f"{4.6 * millimetre:.3f}")
    page.locator("#spot-bottom").fill(f"{4.7 * millimetre:.3f}")
    look("measure")
    button(page, "Record the measures")
    ready(page)
    expect(page.locator("#sentence")).to_have_text("Done.")
    look("done")


def open_the_run(page: Page) -> None:
    """Open the run's page from the sheet of a finished run."""
    page.goto("/#")
    page.locator("#also a").wait_for()
    page.evaluate("document.querySelector('#also a').click()")
    expect(page.locator("#bench h1")).to_have_text("Lantern globe")


def prove(page: Page, look: Look) -> None:
    open_the_run(page)
    look("run")
    button(page, "Mark as proven")
    expect(page.locator("#bench h1")).to_have_text("Compare it with its plan.", timeout=LONG_ms)
    expect(page.locator("#bench")).to_contain_text("what went wrong", timeout=LONG_ms)
    look("proving")
    reason = page.locator("#prove-reason")
    if reason.is_visible():
        reason.fill("A try-out on the simulated rig.")
    button(page, "Prove this run")
    page.locator("#ask-yes").click(timeout=LONG_ms)
    expect(page.locator("#next")).to_have_text("Cast it again as proven", timeout=LONG_ms)
    expect(page.locator("#answer")).to_contain_text("Proven")
    expect(page.get_by_role("region", name="As measured")).to_contain_text("274.0 g")
    # The record from its beginning to its end.
    expect(page.locator("#bench .lines li").first).to_contain_text("3 coats on")
    expect(page.locator("#bench .lines")).to_contain_text("Measured: 274 g, rim 4.1 mm")
    expect(page.locator("#bench .lines li").last).to_contain_text("Proven.")
    look("proven")


def cast_again(page: Page) -> None:
    button(page, "Cast it again as proven")
    expect(page.locator("#form .tick").first).to_be_visible(timeout=LONG_ms)


def compare(page: Page, look: Look) -> None:
    """The replay beside the run that it repeated."""
    open_the_run(page)
    page.locator("#bench .sides svg").first.wait_for(timeout=LONG_ms)
    page.locator("#bench .sides canvas").first.wait_for(timeout=LONG_ms)
    look("compared")


def give_up(page: Page) -> None:
    press(page, "#give-up")
    page.locator("#reason").fill("enough of it")
    button(page, "Give it up")
    expect(page.locator("#sentence")).to_have_text("This run was abandoned.")
