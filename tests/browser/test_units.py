"""Inches, ounces and Fahrenheit everywhere, sentences included, for whoever chose them."""

from __future__ import annotations

import pytest

from evenwall.units import SHOWN, shown, spoken
from tests.browser.conftest import OpenPhone
from tests.browser.staged import StagedPanel
from tests.test_units import PLAIN, SENTENCES

pytestmark = pytest.mark.browser


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
