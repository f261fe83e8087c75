"""A whole casting by hand on one phone; every sheet is compared with the record and a second phone.

The frame's button and guard are pressed on the page. The phone is set to inches, ounces and
Fahrenheit: no word on any sheet, curve or map may contain a metric figure, neither in normal work
nor during faults.
"""

from __future__ import annotations

import asyncio
import re
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from evenwall.cli.application import scripted_operator
from evenwall.model import Snapshot, Step
from evenwall.run.alerts import touch_band_s
from evenwall.run.state import RunState
from evenwall.simulation.twin.probe import ProbeTrouble
from evenwall.units import shown
from tests.browser import person
from tests.browser.conftest import OpenPhone
from tests.browser.hands import until
from tests.browser.real import RealPanel
from tests.support.clumsy import contradictions

pytestmark = pytest.mark.browser
METRIC = re.compile(r"\d\s?(?:g|kg|mm|ml|cm²|cm³|cm2|cm3|°C|degC)(?![\w/])|degC")
# Words that no sheet may say: a path of the server, a hand behind the guard, a false emergency.
NEVER = re.compile(
    r"/tmp/|\.sqlite|Traceback|emergency|black mark|undefined|NaN|\bnull\b", re.IGNORECASE
)
WIDE_px, TALL_px = 360, 780
DRAWN_ms = 300  # time within which a visible drawing is made
THIN = "0.100"  # inches: thin coats gel at the same time and weigh less
LOOK_ms = 500
TRIES = 100  # a tenth of a second each: a busy machine shows a sheet late


def in_inches(page: Page) -> None:
    """Choose the units on the settings page, as a person does."""
    page.goto("/#settings")
    page.get_by_label("inch, oz, °F").tap()
    page.goto("/#")


# Words drawn on a canvas are not text of the page, so they are collected while they are drawn.
LISTEN = """
globalThis.drawnWords = new Set();
for (const name of ["fillText", "strokeText"]) {
  const draw = CanvasRenderingContext2D.prototype[name];
  CanvasRenderingContext2D.prototype[name] = function (text, ...at) {
    drawnWords.add(text);
    return draw.call(this, text, ...at);
  };
}
"""


def words_of(page: Page) -> str:
    """Return all words of the page, visible or for screen readers, and all words drawn since the
    last call."""
    text = page.locator("body").inner_text() + " " + page.title()
    labels = page.locator("[aria-label]").evaluate_all("all => all.map((e) => e.ariaLabel)")
    drawn = page.evaluate("[...drawnWords]")
    page.evaluate("drawnWords.clear()")
    return " ".join([text, *labels, " | ", " | ".join(drawn)]).replace("\n", " ")


def found_in(said: str, what: re.Pattern[str]) -> list[str]:
    return [said[max(0, m.start() - 40) : m.end() + 20] for m in what.finditer(said)]


@dataclass
class Hands:
    """The simulated frame, whose button and guard are operated on the page: `make serve` alone is
    enough."""

    panel: RealPanel
    page: Page

    def press(self) -> None:
        person.button(self.page, "Press its button")

    def guard(self, closed: bool) -> None:
        service = self.panel.application.service
        if self.panel.call(lambda: service.snapshot().frame.guard_closed) is not closed:
            person.button(self.page, "Open or close its guard")


@dataclass
class Walk:
    """Look at each sheet of the casting; `wrong` collects the contradictions."""

    panel: RealPanel
    page: Page
    other: Page
    scrolls: bool = False  # takes a moment that a hurried coat does not have
    wrong: list[str] = field(default_factory=list)

    def end(self) -> None:
        self.page.close()
        self.other.close()

    def now(self) -> tuple[Snapshot, RunState | None]:
        application = self.panel.application
        return self.panel.call(
            lambda: (application.service.snapshot(), application.supervisor.state)
        )

    def look(self, name: str) -> None:
        """Wait until both phones show the rig's state, then read every word."""
        off: list[str] = []
        for _ in range(TRIES):
            off = self._differs()
            if not off:
                break
            self.page.wait_for_timeout(100)
        shown_now, state = self.now()
        if state is not None:
            off += contradictions(shown_now, state)
        if self.scrolls:
            self._scroll()
        said = words_of(self.page)
        off += [f"metric: {words}" for words in found_in(said, METRIC)]
        off += [f"never: {words}" for words in found_in(said, NEVER)]
        self.wrong.extend(f"{name}: {what}" for what in off)

    def _scroll(self) -> None:
        """Scroll the curves into view, which draws them."""
        for name in ("heat", "down"):
            canvas = self.page.locator(f"#{name} canvas").first
            if canvas.is_visible():
                canvas.scroll_into_view_if_needed()
                self.page.wait_for_timeout(DRAWN_ms)
        self.page.evaluate("scrollTo(0, 0)")

    def _differs(self) -> list[str]:
        """Differences between the rig's own words and what the two phones show."""
        if self.page.locator("#job").is_hidden():
            return []
        rig, _ = self.now()
        off = []
        for page, units in ((self.page, "inch"), (self.other, "metric")):
            for box, sentence in (("#sentence", rig.sentence), ("#why", rig.why)):
                wanted = shown(sentence, units)  # type: ignore[arg-type]
                found = page.locator(box).text_content()
                if found != wanted and rig.sentence == self.now()[0].sentence:
                    off.append(f"{units} {box} shows {found!r}, the rig says {wanted!r}")
            label = "" if rig.countdown is None else rig.countdown.label
            counts = page.locator("#count:visible #count-label").all_text_contents()
            if (counts or [""])[0] not in (label, "late"):
                off.append(f"{units} counts {counts}, the rig {label!r}")
        return off


def begin(panel: RealPanel, open_phone: OpenPhone, *, scrolls: bool = False) -> Walk:
    """Open two phones, one of them in inches, and collect what it draws."""
    page = open_phone(panel, "phone", viewport={"width": WIDE_px, "height": TALL_px})
    page.add_init_script(LISTEN)
    page.reload()
    other = open_phone(panel, "small phone")
    in_inches(page)
    return Walk(panel, page, other, scrolls)


def over_and_about(walk: Walk) -> None:
    """Read the finished run and the pages of the bench."""
    page = walk.page
    person.open_the_run(page)
    page.locator("#bench .sides canvas").first.wait_for(timeout=person.LONG_ms)
    walk.look("run")
    expect(page.locator("#bench .lines")).to_contain_text(re.compile(r"Weighed [\d.]+\soz"))
    for name in ("castings", "runs", "resins", "new-casting", "new-resin"):
        page.goto(f"/#{name}")
        page.locator("#bench h1").wait_for()
        walk.look(name)


def wrong_weights(walk: Walk) -> None:
    """Half of B is refused, and no next step is offered; typed weights survive a reload, on both
    phones."""
    page, other = walk.page, walk.other
    typed = page.locator("#part-a").input_value(), page.locator("#part-b").input_value()
    person.weigh_by_hand(page, typed[0], f"{float(typed[1]) / 2:.3f}")
    expect(page.locator("#form")).to_contain_text("Too little B by 50")
    person.button(page, "Record the weights")
    expect(page.locator("#sentence")).to_contain_text("The weights are too far off")
    expect(page.locator("#next")).to_have_attribute("aria-disabled", "true")
    person.weigh_by_hand(page, *typed)
    page.wait_for_timeout(1000)  # a draft is kept a moment after the last key
    page.reload()
    until(page, "globalThis.evenwall !== undefined")
    expect(page.locator("#part-b")).to_have_value(typed[1])
    grams = float(typed[1]) / (16 / 453.59237)
    until(other, f"Math.abs(Number(document.getElementById('part-b').value) - {grams}) < 0.11")


def early_touch(walk: Walk) -> None:
    """A touch just after the start does not park the frame: the page asks for confirmation, with
    the figures."""
    page = walk.page
    shown_now, state = walk.now()
    assert state is not None
    from_s, _ = touch_band_s(state, "coat")
    if (state.coat_time_s(shown_now.now_s) or 0.0) > from_s - 60.0 or state.halted:
        return  # a busy machine was so slow that a touch is plausible by now
    held = page.get_by_role("button", name="Hold: Coat has gelled", exact=True)
    held.dispatch_event("pointerdown")
    page.wait_for_timeout(300)
    held.dispatch_event("pointerup")  # a brush of the glove does nothing
    held.dispatch_event("pointerdown")
    page.wait_for_timeout(person.HOLD_ms)
    for _ in range(TRIES):
        if "gelled" in page.locator("#answer").inner_text():
            break
        page.wait_for_timeout(100)
    asked = page.locator("#answer").inner_text()
    if "Has the coat really gelled?" not in asked:
        return  # by the time it was heard it was plausible
    assert re.search(r"between \d+:\d\d and \d+:\d\d", asked)
    page.locator("#ask-no").tap()
    _, state = walk.now()
    assert state is not None
    assert state.coat.gel_how != "touch"


def lost_line(walk: Walk) -> None:
    """The clock goes on by the phone's time, and no data is promised."""
    page = walk.page
    page.evaluate("evenwall.line.source.close(); evenwall.line.open = () => {}")
    until(page, "document.documentElement.classList.contains('stale')")
    expect(page.locator("#count-label")).to_contain_text(", by this phone")
    expect(page.locator("#why")).to_contain_text("The clock goes on by the time of this phone.")
    before = page.locator("#count-time").inner_text()
    expect(page.locator("#count-time")).not_to_have_text(before)
    page.evaluate("delete evenwall.line.open; evenwall.line.open()")
    until(page, "!document.documentElement.classList.contains('stale')")


def faults_while_it_turns(walk: Walk, hands: Hands) -> None:
    """The guard, the stop, a driver, a lost step, a pulled probe: each is reported and then
    repaired."""
    page, panel = walk.page, walk.panel
    board, twin = panel.application.board, panel.application.twin
    assert board is not None
    assert twin is not None
    sentence = page.locator("#sentence")

    def again(name: str) -> None:
        walk.look(name)
        hands.guard(True)
        person.keep_turning(page, hands)

    hands.guard(False)
    expect(sentence).to_contain_text("The guard is open")
    again("guard open")
    page.locator("#stop").tap()
    expect(sentence).to_contain_text("Turning was stopped by hand.")
    again("stopped")
    panel.call(lambda: board.set_driver_fault("major", True))
    expect(page.locator("body")).to_contain_text("A motor driver reports a fault.")
    walk.look("driver fault")
    panel.call(lambda: board.set_driver_fault("major", False))
    again("driver mended")
    panel.call(lambda: board.slip("minor", 400))
    twin.probe("resin").troubles.append(ProbeTrouble("lost", 0.0))
    expect(page.locator("#alerts")).to_contain_text("The probe gives no reading", timeout=30_000)
    again("probe lost")
    twin.probe("resin").troubles.clear()


def a_note_on_both(walk: Walk) -> None:
    walk.page.locator("#note-text").fill("a draught from the door")
    person.button(walk.page, "Write it down")
    expect(walk.other.locator("#written .lines")).to_contain_text("a draught from the door")


@pytest.mark.alone
@pytest.mark.timeout(600)
def test_a_whole_casting_shows_no_sheet_that_the_record_contradicts(
    open_phone: OpenPhone, tmp_path: Path
) -> None:
    with RealPanel(tmp_path, speed=30) as panel:
        walk = begin(panel, open_phone)
        page, look, hands = walk.page, walk.look, Hands(panel, walk.page)

        person.choose(page, look)
        person.prepare(page, hands, look)
        for coat in (1, 2, 3):

            def look_closer(name: str, coat: int = coat) -> None:
                if coat == 1 and name == "weigh":
                    wrong_weights(walk)
                look(name)

            person.one_coat(page, hands, coat, look_closer)
            look("turning")
            if coat == 1:
                early_touch(walk)
            person.mind(page, hands, lambda: person.step(page) in {"resting", "cure"})
            look("resting")
            if coat == 1:
                lost_line(walk)
                a_note_on_both(walk)
            if coat < 3:
                person.rest(page, hands, look)
        person.finish(page, hands, look)
        over_and_about(walk)
        walk.end()
    assert walk.wrong == []


@pytest.mark.alone
@pytest.mark.timeout(600)
def test_a_whole_casting_is_shown_as_it_is(open_phone: OpenPhone, tmp_path: Path) -> None:
    """A scripted operator does the manual work; every sheet is read on the way."""
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
