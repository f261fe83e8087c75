"""Inches, ounces and Fahrenheit everywhere, sentences included, for whoever chose them."""

from __future__ import annotations

import pytest

from evenwall.units import SHOWN, shown, spoken
from tests.browser.conftest import OpenPhone
from tests.browser.staged import StagedPanel
from tests.test_units import PLAIN, SENTENCES

pytestmark = pytest.mark.browser


def test_a_wall_that_was_computed_again_is_told_in_sentences(
    open_phone: OpenPhone, panel: StagedPanel
) -> None:
    coat = {"coat": 1, "planned_mm": 1.5, "laid_mm": 1.4, "poured_s": 1.0, "gel_detected_s": 9.0,
            "done": True}  # fmt: skip
    wall = {"target_mm": 1.5, "min_mm": 1.2, "rim_mm": 1.3, "note": "Computed again."}
    page = open_phone(panel)
    said = [
        page.evaluate(
            "async (seen) => { const wall = await import('/panel/wall.js');"
            " const box = document.createElement('div'); wall.drawWall(box, seen);"
            " return box.querySelector('p').textContent.replaceAll('\\u00a0', ' '); }",
            {"coats": [{**coat, "fate": fate}], "wall": wall},
        )
        for fate in ("sound", "changed")
    ]
    assert "wanted. As planned, when all coats are in: thinnest place 1.2 mm" in said[0]
    assert "wanted. Computed again. When all coats are in: thinnest place 1.2 mm" in said[1]


def test_the_phone_shows_sentences_as_the_server_does(
    open_phone: OpenPhone, panel: StagedPanel
) -> None:
    """Two programs, one grammar: what the phone shows and says is what paper shows."""
    page = open_phone(panel)
    for system in SHOWN:
        said = [text for text, _, _ in SENTENCES] + list(PLAIN)
        made = page.evaluate(
            "async ([system, said]) => { const units = await import('/panel/units.js');"
            " units.choose({ units: system });"
            " return said.map((text) => [units.shown(text), units.spoken(text)]); }",
            [system, said],
        )
        assert made == [[shown(text, system), spoken(text, system)] for text in said]
