"""Two phones, and a reload, show the same sheet: ticks, and text that is typed but not sent."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import OpenPhone
from tests.browser.hands import begun, press_next
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser


def test_ticks_and_drafts_stand_on_both_phones_and_after_a_reload(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    one, other = open_phone(panel), open_phone(panel)
    begun(panel)
    one.locator("#form .tick").first.tap()
    expect(other.locator("#form .tick input").first).to_be_checked()
    one.reload()
    expect(one.locator("#form .tick input").first).to_be_checked()
    for box in one.locator("#form .tick").all()[1:]:
        box.tap()
    press_next(one)
    one.locator("#part-a").fill("76.4")
    expect(other.locator("#part-a")).to_have_value("76.4")
    one.locator("#note-text").fill("a draught from the door")
    expect(other.locator("#note-text")).to_have_value("a draught from the door")
    other.reload()
    expect(other.locator("#part-a")).to_have_value("76.4")


DRAFT = """async () => {
  const { Drafts } = await import("/panel/drafts.js");
  const drafts = new Drafts({ command: () => new Promise(() => {}) }, () => "1");
  const input = document.createElement("input");
  input.id = "typed";
  document.body.append(input);
  drafts.bind(input);
  input.value = "9.67";
  input.dispatchEvent(new Event("input"));
  await new Promise((done) => setTimeout(done, 600));
  drafts.show({}); // what the rig said before the draft came there
  const kept = input.value;
  drafts.show({ typed: "9.67" });
  drafts.show({ typed: "9.70" }); // another phone's, later
  const shown = input.value;
  input.remove();
  return [kept, shown];
}"""


def test_an_older_word_of_the_rig_does_not_wipe_out_what_is_typed(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    assert open_phone(panel).evaluate(DRAFT) == ["9.67", "9.70"]
