"""Quick form of the walk: a coat by hand, with the faults of its turning.

No word, label or curve of a sheet may contradict the record, the other phone or the chosen inches,
ounces and Fahrenheit. `make soak ARGS=walk` does whole castings by hand.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser import person
from tests.browser.conftest import OpenPhone
from tests.browser.real import RealPanel
from tests.browser.walk import (
    Hands,
    a_note_on_both,
    begin,
    early_touch,
    faults_while_it_turns,
    lost_line,
    wrong_weights,
)

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]


def test_a_coat_by_hand_with_its_faults(open_phone: OpenPhone, tmp_path: Path) -> None:
    """The sample's resin at eight times real speed leaves a busy machine enough time."""
    with RealPanel(tmp_path, speed=8, sheet={}) as panel:
        walk = begin(panel, open_phone, scrolls=True)
        page, hands = walk.page, Hands(panel, walk.page)

        def look(name: str) -> None:
            if name == "weigh":
                wrong_weights(walk)
            walk.look(name)
            if name == "mix":
                lost_line(walk)

        person.choose(page, look)
        person.prepare(page, hands, look)
        person.one_coat(page, hands, 1, look)
        look("turning")
        early_touch(walk)
        faults_while_it_turns(walk, hands)
        a_note_on_both(walk)
        person.give_up(page)
        look("abandoned")
        walk.end()
    assert walk.wrong == []
