"""The page for a person whose hands are full: guidance by the scale, the frame's button, a voice,
pairing."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from evenwall.model import FrameButton, ScaleView, Spoken, WeighingView
from tests.browser.conftest import OpenPhone
from tests.browser.hands import begun, until
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser

SPEECH = """
globalThis.uttered = [];
Object.defineProperty(globalThis, "speechSynthesis", { value: {
  getVoices: () => [{ name: "Bench", lang: "en-GB" }],
  speak: (words) => uttered.push([words.text, words.volume]),
} });
globalThis.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
"""


def weighing(panel: PanelServer, **view: object) -> None:
    led = WeighingView(phase="pour", part="A", target_g=76.4, sentence="Pour part A: 76.4 g.")
    scale = ScaleView(mass_g=12.0, steady=False, weighing=led.model_copy(update=view))
    panel.show(scale=scale)


def test_grams_to_go_are_the_largest_figure_and_too_much_is_red(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, "small phone")
    begun(panel)
    panel.call(lambda: panel.rig.next())
    weighing(panel, net_g=64.0, to_go_g=12.4)
    figure = page.locator("#scale-now")
    expect(figure).to_have_text("12.4 g to go")
    size = "e => parseFloat(getComputedStyle(e).fontSize)"
    assert figure.evaluate(size) >= 40  # px: legible at two metres, or at arm's length from a bench
    calm = figure.evaluate("e => getComputedStyle(e).color")
    weighing(panel, net_g=78.7, to_go_g=-2.3, over=True, sentence="Part A is 2.3 g over.")
    expect(figure).to_have_text("2.3 g over")
    expect(page.locator("#form .scale")).to_contain_text("Part A is 2.3 g over.")
    assert figure.evaluate("e => getComputedStyle(e).color") != calm
    wide, seen = page.evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= seen


def test_the_page_says_what_the_button_at_the_frame_does(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel)
    begun(panel)
    button = FrameButton(light="moves_next", short="Start turning", long="Take back: poured")
    panel.show(frame_button=button)
    line = page.locator("#frame-button")
    expect(line).to_contain_text("press: start turning · hold: take back: poured")
    expect(line).to_contain_text("the press moves the frame")


def speaking_page(open_phone: OpenPhone, panel: PanelServer) -> Page:
    page = open_phone(panel)
    page.add_init_script(SPEECH)
    page.reload()
    until(page, "globalThis.evenwall !== undefined")
    begun(panel)
    return page


def say(panel: PanelServer, number: int, moment: str, text: str) -> None:
    line = Spoken(number=number, moment=moment, text=text)
    panel.call(lambda: panel.rig.say(line))


def test_the_phone_reads_aloud_only_when_its_owner_chose_so(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = speaking_page(open_phone, panel)
    say(panel, 1, "instruction", "Mix.")
    page.wait_for_timeout(500)
    assert page.evaluate("uttered") == []
    page.goto("/#settings")
    page.get_by_label("Read aloud what the rig says").check()
    page.get_by_label("alerts").uncheck()
    page.locator("#loud").fill("0.5")
    page.evaluate("uttered.length = 0")
    say(panel, 2, "instruction", "Degas the mix.")
    say(panel, 3, "alert", "The resin is too hot.")
    say(panel, 4, "weighing", "10 g to go.")
    until(page, "uttered.length === 2")
    page.wait_for_timeout(300)
    assert page.evaluate("uttered") == [["Degas the mix.", 0.5], ["10 grams to go.", 0.5]]


def test_a_phone_is_paired_at_the_frame_without_a_code(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, role=None)
    page.goto("/#people")
    page.locator("#phone").fill("Bench phone")
    page.get_by_role("button", name="Pair at the frame").tap()
    expect(page.locator("#bench")).to_contain_text("hold the button at the frame within 10 s")
    told = panel.call(lambda: panel.rig.supervisor.notices["pairing"])
    number = page.locator("#bench [role=status]").inner_text().split("shows ")[1][:2]
    assert f"shows {number}" in told
    assert panel.call(panel.app.state.people.at_frame.confirm)
    until(page, "globalThis.evenwall !== undefined && location.hash === ''")
    expect(page.locator("#stop")).to_be_visible()  # the page has loaded again, as a paired phone
    names = panel.call(lambda: [s.name for s in panel.app.state.people.sessions()])
    assert names == ["Bench phone"]
