"""Attracting attention: sound, vibration, a screen that stays awake; and the page over TLS."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import trustme
from playwright.sync_api import Browser, Page, expect

from evenwall.model import Alert
from evenwall_web.settings import Settings
from tests.browser.conftest import OpenPhone
from tests.browser.hands import begun, turning, until
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser

# Requests to the phone's own parts are noted and not carried out.
STUBS = """
globalThis.asked = { shakes: [], tones: 0, contexts: 0, awake: 0, released: 0 };
navigator.vibrate = (pattern) => { asked.shakes.push(pattern); return true; };
const Sound = globalThis.AudioContext;
globalThis.AudioContext = class extends Sound {
  constructor(...more) { super(...more); asked.contexts += 1; }
};
const Tone = globalThis.OscillatorNode;
globalThis.OscillatorNode = class extends Tone {
  start(...more) { asked.tones += 1; return super.start(...more); }
};
Object.defineProperty(navigator, "wakeLock", { value: {
  request: async (kind) => {
    asked.awake += 1;
    asked.kind = kind;
    const lock = new EventTarget();
    lock.release = async () => { asked.released += 1; lock.dispatchEvent(new Event("release")); };
    return lock;
  },
} });
"""


def stubbed(open_phone: OpenPhone, panel: PanelServer) -> Page:
    page = open_phone(panel)
    page.add_init_script(STUBS)
    page.reload()
    until(page, "globalThis.evenwall !== undefined")
    return page


def warn(panel: PanelServer, severity: str, since_s: float) -> None:
    alert = Alert(kind="standing", sentence="Close the guard.", severity=severity, since_s=since_s)
    panel.show(alerts=(alert,))


def test_an_alert_sounds_and_shakes_once_it_may(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = stubbed(open_phone, panel)
    turning(panel)
    expect(page.locator("#sentence")).to_have_text("Keep turning.")
    warn(panel, "act_now", 1.0)
    expect(page.locator("#alerts")).to_contain_text("Close the guard.")
    # Nobody has touched this page: a browser allows no sound, and the page does not try.
    assert page.evaluate("[asked.contexts, asked.tones]") == [0, 0]

    page.locator("#heat canvas").first.tap()
    until(page, "asked.contexts === 1")
    page.wait_for_timeout(300)
    warn(panel, "act_now", 2.0)
    until(page, "asked.shakes.length > 0")
    # Three times for what must be done now, once for what may wait; a note is silent.
    assert page.evaluate("asked.shakes.at(-1)") == [220, 120] * 3
    until(page, "asked.tones === 3")
    warn(panel, "caution", 3.0)
    until(page, "asked.tones === 4")
    assert page.evaluate("asked.shakes.at(-1)") == [220, 120]
    shakes = page.evaluate("asked.shakes.length")
    warn(panel, "note", 4.0)
    page.wait_for_timeout(500)
    assert page.evaluate("[asked.contexts, asked.tones, asked.shakes.length]") == [1, 4, shakes]


def test_who_wants_neither_sound_nor_shake_gets_none(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = stubbed(open_phone, panel)
    turning(panel)
    page.goto("/#settings")
    for name in ("Sound", "Vibration"):
        page.get_by_text(name, exact=True).tap()
    before = page.evaluate("[asked.tones, asked.shakes.length]")
    warn(panel, "act_now", 1.0)
    page.get_by_role("link", name="The job").tap()
    expect(page.locator("#alerts")).to_contain_text("Close the guard.")
    assert page.evaluate("[asked.tones, asked.shakes.length]") == before


def test_the_screen_stays_awake_while_a_run_is_on(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = stubbed(open_phone, panel)
    page.wait_for_timeout(500)
    assert page.evaluate("asked.awake") == 0
    begun(panel)
    until(page, "asked.awake === 1")
    assert page.evaluate("asked.kind") == "screen"
    panel.ask("abandon", reason="enough of it")
    until(page, "asked.released === 1")


@pytest.fixture
def certificate(tmp_path: Path) -> Callable[[str], Path]:
    """A certificate of our own for this machine's loopback name."""
    made = trustme.CA().issue_cert("localhost", "127.0.0.1")
    made.private_key_pem.write_to_path(tmp_path / "key.pem")
    for n, blob in enumerate(made.cert_chain_pems):
        blob.write_to_path(tmp_path / "cert.pem", append=n > 0)
    return lambda name: tmp_path / name


def test_over_tls_the_page_is_secure_and_the_phone_gives_it_more(
    browser: Browser, certificate: Callable[[str], Path]
) -> None:
    settings = Settings(
        host="localhost", tls_cert=certificate("cert.pem"), tls_key=certificate("key.pem")
    )
    with PanelServer(settings=settings) as panel:
        assert panel.url.startswith("https://")
        context = browser.new_context(
            base_url=panel.url, ignore_https_errors=True, has_touch=True, is_mobile=True,
            viewport={"width": 412, "height": 915},
        )  # fmt: skip
        page = context.new_page()
        answer = page.goto("/")
        assert answer is not None
        assert answer.headers["strict-transport-security"].startswith("max-age=")
        assert page.evaluate("isSecureContext && 'wakeLock' in navigator")
        paired = context.request.post("/api/pair", data={"code": panel.code()})
        assert paired.ok
        cookie = next(c for c in context.cookies() if "evenwall" in c["name"])
        assert cookie["name"] == "__Host-evenwall"
        assert (cookie["secure"], cookie["httpOnly"], cookie["sameSite"]) == (True, True, "Strict")
        page.reload()
        begun(panel)
        expect(page.locator("#job-name")).to_have_text("Lantern globe")
        expect(page.locator("#stop")).to_be_visible()
        context.close()
