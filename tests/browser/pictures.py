"""Pictures of every step for the guide: `python -m tests.browser.pictures [folder]`.

A whole casting on the real controller and its simulated rig, by touch, in Chromium, to its proof
and its repetition. Takes a quarter of an hour; on a busy machine the rig may be thought lost.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser import person
from tests.browser.conftest import FLAGS, SIZES
from tests.browser.real import RealPanel

GUIDE = Path(__file__).resolve().parents[2] / "web" / "guide" / "pictures" / "panel"
WHOLE = {"plan", "prepare", "turning", "replay", "compared"}  # the page to its foot
SETTLE_ms = 700
SOON_HARD = {"demould_min = 75.0": "demould_min = 20.0"}  # nobody waits for a picture of a cure
BY_HAND_ms = 5000  # two minutes, at 25 times life


def open_page(browser: Browser, panel: RealPanel, size: str, look: str) -> Page:
    width, height = SIZES[size]
    touch = size != "desktop"
    context = browser.new_context(
        viewport={"width": width, "height": height}, has_touch=touch, is_mobile=touch,
        base_url=panel.url, color_scheme=look,  # type: ignore[arg-type]
    )  # fmt: skip
    context.set_default_timeout(person.LONG_ms)
    context.request.post("/api/pair", data={"code": panel.code(), "name": f"A {size}"})
    page = context.new_page()
    page.goto("/")
    return page


def main(folder: Path, speed: float = 25.0) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as record,
        RealPanel(Path(record), speed, sheet=SOON_HARD, plan_budget_s=20.0) as panel,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=list(FLAGS)
        )
        page = open_page(browser, panel, "phone", "light")
        taken: set[str] = set()

        def look(name: str) -> None:
            if name in taken:
                return
            taken.add(name)
            if name == "prepare":
                page.evaluate("scrollTo(0, 0)")
            page.wait_for_timeout(SETTLE_ms)
            page.screenshot(path=folder / f"{name}.png", full_page=name in WHOLE)
            print(name, page.locator("h1:visible").first.inner_text(), flush=True)

        def look_elsewhere(name: str) -> None:
            other = open_page(browser, panel, "desktop", "dark")
            other.wait_for_timeout(2 * SETTLE_ms)
            other.screenshot(path=folder / f"{name}-desktop.png")
            other.close()

        page.wait_for_timeout(SETTLE_ms)
        look("empty")
        person.choose(page, look)
        person.prepare(page, panel, look)
        for coat in (1, 2, 3):
            person.one_coat(page, panel, coat, look, scale=coat == 1, by_hand_ms=BY_HAND_ms)
            if coat == 2:
                person.turning_for(page, panel, 12_000)  # five minutes: the cup has warmed
                person.button(page, "Cup has gelled")
                look("turning")
                look_elsewhere("turning")
            person.mind(page, panel, lambda: person.step(page) in {"resting", "cure"})
            if coat < 3:
                person.rest(page, panel, look)
        person.finish(page, panel, look)
        person.prove(page, look)
        person.cast_again(page)
        person.prepare(page, panel, person.no_look)
        person.one_coat(page, panel, 1, person.no_look, by_hand_ms=BY_HAND_ms)
        person.turning_for(page, panel, 12_000)
        look("replay")
        person.mind(page, panel, lambda: person.step(page) == "resting")
        person.give_up(page)
        person.compare(page, look)
        for name in ("runs", "people", "settings"):
            page.goto(f"/#{name}")
            look(name)
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else GUIDE)
