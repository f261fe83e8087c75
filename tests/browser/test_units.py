"""Inches, ounces and Fahrenheit everywhere, sentences included, for whoever chose them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from evenwall.units import shown
from tests.browser import person
from tests.browser.conftest import OpenPhone
from tests.browser.real import RealPanel
from tests.browser.staged import StagedPanel
from tests.test_units import PLAIN, SENTENCES

pytestmark = pytest.mark.browser
METRIC = re.compile(r"\d\s?(?:g|kg|mm|ml|cm²|cm³|cm2|cm3|°C|degC)(?![\w/])|degC")


def in_inches(page: Page) -> None:
    """Choose the units as a person does, on the settings' page."""
    page.goto("/#settings")
    page.get_by_label("inch, oz, °F").tap()
    page.goto("/#")


def metric_figures(page: Page) -> list[str]:
    """Every metric figure in what the page says, with the words about it."""
    text = page.locator("body").inner_text() + " " + page.title()
    labels = page.locator("[aria-label]").evaluate_all("all => all.map((e) => e.ariaLabel)")
    said = " ".join([text, *labels]).replace("\n", " ")
    return [said[max(0, m.start() - 40) : m.end() + 10] for m in METRIC.finditer(said)]


def test_the_phone_shows_sentences_as_the_server_does(
    open_phone: OpenPhone, panel: StagedPanel
) -> None:
    """Two programs, one grammar: what the phone makes of a sentence is what paper makes of it."""
    page = open_phone(panel)
    for system in ("metric", "inch"):
        said = [text for text, _, _ in SENTENCES] + list(PLAIN)
        made = page.evaluate(
            "async ([system, said]) => { const units = await import('/panel/units.js');"
            " units.choose({ units: system }); return said.map(units.shown); }",
            [system, said],
        )
        assert made == [shown(text, system) for text in said]  # type: ignore[arg-type]


@pytest.mark.timeout(600)
def test_a_whole_casting_in_ounces_inches_and_fahrenheit(
    open_phone: OpenPhone, tmp_path: Path
) -> None:
    found: list[str] = []

    with RealPanel(tmp_path, speed=30) as panel:
        page = open_phone(panel, "phone", viewport={"width": 360, "height": 780})
        in_inches(page)

        def look(name: str) -> None:
            page.wait_for_timeout(200)
            found.extend(f"{name}: {words}" for words in metric_figures(page))

        person.choose(page, look)
        person.prepare(page, panel, look)
        for coat in (1, 2, 3):
            person.one_coat(page, panel, coat, look)
            look("turning")
            person.mind(page, panel, lambda: person.step(page) in {"resting", "cure"})
            look("resting")
            if coat < 3:
                person.rest(page, panel, look)
        person.finish(page, panel, look)
        person.open_the_run(page)
        page.locator("#bench .sides canvas").first.wait_for(timeout=person.LONG_ms)
        look("run")
        expect(page.locator("#bench .lines")).to_contain_text(re.compile(r"Weighed [\d.]+\soz"))
        for name in ("castings", "runs", "resins", "new-casting", "new-resin"):
            page.goto(f"/#{name}")
            page.locator("#bench h1").wait_for()
            look(name)
        page.close()
    assert found == []
