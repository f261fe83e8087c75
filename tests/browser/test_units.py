"""Inches, ounces and Fahrenheit everywhere, including sentences, for a person who chose them."""

from __future__ import annotations

import pytest

from evenwall.units import SHOWN, shown, spoken
from tests.browser.conftest import OpenPhone
from tests.test_units import PLAIN, SENTENCES
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser


def test_a_wall_that_was_computed_again_is_told_in_sentences(
    open_phone: OpenPhone, panel: PanelServer
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


def test_the_wall_foreseen_stands_above_the_cut_in_the_chosen_units(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    """The sentence follows the grammar of figures; the range is a line at the foot of the
    section."""
    coat = {"coat": 1, "planned_mm": 1.5, "laid_mm": 1.4, "poured_s": 1.0, "gel_detected_s": None,
            "done": False, "fate": "sound"}  # fmt: skip
    wall = {"target_mm": 4.5, "min_mm": 4.1, "rim_mm": 4.3, "note": ""}
    live = {"finished_mm": 3.9, "low_mm": 3.8, "high_mm": 4.0, "planned_mm": 4.1,
            "sentence": "If it goes on like this, the finished wall is 3.9 mm."}  # fmt: skip
    page = open_phone(panel)
    drawn = page.evaluate(
        "async (seen) => { const wall = await import('/panel/wall.js');"
        " const units = await import('/panel/units.js'); units.choose({ units: 'inch' });"
        " const box = document.createElement('div'); wall.drawWall(box, seen);"
        " return [box.querySelector('.live-wall').textContent,"
        " box.querySelector('.live-span') !== null, box.querySelector('.figures').textContent]; }",
        {"coats": [coat], "wall": wall, "live_wall": live},
    )
    assert drawn[0].replace("\u00a0", " ") == shown(live["sentence"], "inch").replace("\u00a0", " ")
    assert "mm" not in drawn[0]
    assert drawn[1]
    assert "The filled mark is the thinnest place as predicted now" in drawn[2]


def test_the_phone_shows_sentences_as_the_server_does(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    """Two programs use one grammar: the phone shows and speaks the same as the paper."""
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
