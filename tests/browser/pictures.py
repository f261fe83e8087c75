"""Pictures of every step: `python -m tests.browser.pictures [folder [size]]`.

A whole casting on the real controller and its simulated rig, by touch, in Chromium, to its proof
and its repetition. Without arguments the guide's own pictures are taken again, at phone size; with
a folder, every step in the light and in the dark. Takes about six minutes.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Literal

from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser import person
from tests.browser.conftest import FLAGS, SIZES
from tests.browser.real import RealPanel

GUIDE = Path(__file__).resolve().parents[2] / "web" / "guide" / "pictures" / "panel"
WHOLE = {"plan", "prepare", "turning", "replay", "compared"}  # the page to its foot
SETTLE_ms = 700
SPEED = 25.0
SOON_HARD = {"demould_min = 75.0": "demould_min = 35.0"}  # a picture of the cure needs no waiting
BY_HAND_ms = 2000  # fifty seconds at 25 times real speed: pages and pictures also need time

Scheme = Literal["light", "dark"]


def open_page(
    browser: Browser, panel: RealPanel, size: str, scheme: Scheme, said: list[str]
) -> Page:
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height},
        has_touch=True,  # a desktop may have a screen to touch
        is_mobile=size != "desktop",
        base_url=panel.url,
        color_scheme=scheme,
    )
    context.set_default_timeout(person.LONG_ms)
    context.request.post("/api/pair", data={"code": panel.code(), "name": f"A {size}"})
    page = context.new_page()
    page.on("pageerror", lambda error: said.append(f"{size}: threw {error}"))
    page.on(
        "console",
        lambda line: (
            said.append(f"{size}: {line.text}")
            if line.type == "error" and "409 (Conflict)" not in line.text
            else None
        ),
    )
    page.goto("/")
    return page


def whole_job(folder: Path, size: str = "phone", schemes: tuple[Scheme, ...] = ("light",)) -> int:
    """Take every picture into `folder` and return their number. Raises an error if a step is not
    reached, a sheet is wider than the screen, or the browser's console has a message."""
    folder.mkdir(parents=True, exist_ok=True)
    said: list[str] = []
    with (
        tempfile.TemporaryDirectory() as record,
        RealPanel(Path(record), SPEED, sheet=SOON_HARD, plan_budget_s=20.0) as panel,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=list(FLAGS)
        )
        page = open_page(browser, panel, size, schemes[0], said)
        taken: set[str] = set()

        def look(name: str) -> None:
            if name in taken:
                return
            taken.add(name)
            if name == "prepare":
                page.evaluate("scrollTo(0, 0)")
            for scheme in schemes:
                if len(schemes) > 1:
                    page.emulate_media(color_scheme=scheme)
                page.wait_for_timeout(SETTLE_ms)
                if name in WHOLE:  # a curve is drawn once it has come into view
                    for selector in ("#heat canvas", "#down canvas"):
                        if page.locator(selector).first.is_visible():
                            page.locator(selector).first.scroll_into_view_if_needed()
                            page.wait_for_timeout(SETTLE_ms)
                    page.evaluate("scrollTo(0, 0)")
                named = name if len(schemes) == 1 else f"{name}-{scheme}"
                page.screenshot(path=folder / f"{named}.png", full_page=name in WHOLE)
            wide, seen = page.evaluate(
                "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
            )
            if wide > seen:
                raise AssertionError(f"{size}: {name} is {wide} px wide, the screen {seen} px")
            print(f"{size}: {name}: {page.locator('h1:visible').first.inner_text()}", flush=True)

        def look_elsewhere(name: str) -> None:
            other = open_page(browser, panel, "desktop", "dark", said)
            other.wait_for_timeout(2 * SETTLE_ms)
            other.screenshot(path=folder / f"{name}-desktop.png")
            other.context.close()

        page.wait_for_timeout(SETTLE_ms)
        look("empty")
        person.choose(page, look)
        person.prepare(page, panel, look)
        for coat in (1, 2, 3):
            person.one_coat(
                page, panel, coat, look, scale=panel if coat == 1 else None, by_hand_ms=BY_HAND_ms
            )
            if coat == 2:
                person.turning_for(page, panel, 12_000)  # five minutes: the cup has warmed
                person.button(page, "Cup has gelled")
                look("turning")
                if folder == GUIDE:
                    look_elsewhere("turning")
            person.mind(page, panel, lambda: person.step(page) in {"resting", "cure"})
            if coat < 3:
                look("resting")
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
    if said:
        raise AssertionError("\n".join(said))
    return len(taken) * len(schemes)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        whole_job(Path(sys.argv[1]), *sys.argv[2:3], schemes=("light", "dark"))
    else:
        whole_job(GUIDE)
