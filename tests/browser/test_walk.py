"""Quick forms of the walk: a coat by hand with its faults, and a whole casting looked at.

No sheet may contradict the record, the two phones or the chosen inches, ounces and Fahrenheit: not
in a word, not in a label, not on a curve. `make soak ARGS=walk` does whole castings by hand.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from playwright.sync_api import expect

from evenwall.cli.application import scripted_operator
from evenwall.model import Step
from tests.browser import person
from tests.browser.conftest import OpenPhone
from tests.browser.real import RealPanel
from tests.browser.walk import (
    TRIES,
    Hands,
    a_note_on_both,
    begin,
    early_touch,
    faults_while_it_turns,
    lost_line,
    over_and_about,
    wrong_weights,
)

pytestmark = [pytest.mark.browser, pytest.mark.alone, pytest.mark.timeout(600)]
THIN = "0.100"  # inches, so that few coats do it
LOOK_ms = 500


def test_a_coat_by_hand_with_its_faults(open_phone: OpenPhone, tmp_path: Path) -> None:
    """The sample's own resin at eight times life: a busy machine has time to turn in."""
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


def test_a_whole_casting_is_shown_as_it_is(open_phone: OpenPhone, tmp_path: Path) -> None:
    """A scripted operator does the hand work; every sheet is read on the way."""
    with RealPanel(tmp_path, speed=60) as panel:
        walk = begin(panel, open_phone, scrolls=True)
        page = walk.page
        person.choose(page, walk.look, wall=THIN)
        working = panel.call(
            lambda: asyncio.ensure_future(scripted_operator(panel.application).work())
        )
        seen: set[str] = set()
        for _ in range(person.LONG_ms * 2 // LOOK_ms):
            shown, _ = walk.now()
            name = f"{shown.step.value} of coat {shown.coat}"
            if name not in seen:
                seen.add(name)
                walk.look(name)
            if shown.step is Step.DONE:
                break
            page.wait_for_timeout(LOOK_ms)
        expect(page.locator("#sentence")).to_have_text("Done.")
        for _ in range(TRIES):
            if panel.call(working.done):
                break
            page.wait_for_timeout(100)
        assert panel.call(working.done)
        over_and_about(walk)
        walk.end()
    assert walk.wrong == []
    assert {"spin of coat 1", "spin of coat 2"} <= seen
