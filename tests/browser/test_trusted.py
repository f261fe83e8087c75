"""A phone that trusts the rig's own authority: wake lock, notifications, an installable page."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Error, Page, expect

from evenwall.cli.panel import with_authority
from evenwall_web.settings import Settings
from tests.browser.hands import begun, until
from tests.browser.trusted import trusting_browser
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser


@pytest.fixture
def phone(tmp_path: Path) -> Iterator[tuple[Page, PanelServer]]:
    """A page over HTTPS without any exception made for its certificate."""
    settings = with_authority(Settings(host="localhost"), tmp_path / "tls")
    assert settings.tls_authority is not None
    with (
        PanelServer(settings=settings) as panel,
        trusting_browser(tmp_path / "home", settings.tls_authority) as browser,
    ):
        context = browser.new_context(
            base_url=panel.url,
            has_touch=True,
            is_mobile=True,
            viewport={"width": 360, "height": 780},
            permissions=["notifications", "screen-wake-lock"],
        )
        page = context.new_page()
        paired = page.request.post(
            "/api/pair", data={"code": panel.code()}, ignore_https_errors=True
        )
        assert paired.ok
        page.goto("/")
        until(page, "globalThis.evenwall !== undefined")
        yield page, panel
        context.close()


def test_a_trusting_phone_gets_what_a_secure_page_may(phone: tuple[Page, PanelServer]) -> None:
    page, panel = phone
    assert page.evaluate("isSecureContext")
    # The real wake lock, asked for by the page itself while a run is on.
    begun(panel)
    expect(page.locator("#job-name")).to_have_text("Lantern globe")
    kept = page.evaluate("navigator.wakeLock.request('screen').then((l) => l.type)")
    assert kept == "screen"
    # The service worker controls the page, and shows a notification.
    shown = """navigator.serviceWorker.ready.then(async (worker) => {
      await worker.showNotification("Pour now.", { tag: "call" });
      return (await worker.getNotifications()).map((n) => n.title);
    })"""
    assert page.evaluate(shown) == ["Pour now."]


def test_a_push_is_shown_by_the_locked_phone(phone: tuple[Page, PanelServer]) -> None:
    """Delivered by Chromium's own tools in place of its push service: no page needs to be open."""
    page, panel = phone
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    devtools = page.context.new_cdp_session(page)
    found: list[str] = []
    devtools.on(
        "ServiceWorker.workerRegistrationUpdated",
        lambda told: found.extend(one["registrationId"] for one in told["registrations"]),
    )
    devtools.send("ServiceWorker.enable")
    for _ in range(50):
        if found:
            break
        page.wait_for_timeout(50)
    call = {
        "title": "Act now: Small frame",
        "body": "Pour now.",
        "tag": "late_pour",
        "urgent": True,
    }
    devtools.send(
        "ServiceWorker.deliverPushMessage",
        {"origin": panel.url, "registrationId": found[0], "data": json.dumps(call)},
    )
    until(page, "(globalThis.told = globalThis.told ?? []).length || (navigator.serviceWorker"
          ".ready.then((w) => w.getNotifications()).then((n) => { told = n.map((m) =>"
          " [m.title, m.body, m.tag, m.requireInteraction]); }), false)")  # fmt: skip
    assert page.evaluate("told") == [["Act now: Small frame", "Pour now.", "late_pour", True]]


def test_a_phone_asks_to_be_called_by_its_owners_tick(phone: tuple[Page, PanelServer]) -> None:
    """The subscription itself needs a push service on the internet, so the test replaces it."""
    page, panel = phone
    key = "B" + "A" * 86
    page.add_init_script(
        f"""
        const made = {{ endpoint: "https://push.example.org/1", keys: {{ p256dh: "{key}",
          auth: "AAAAAAAAAAAAAAAAAAAAAA" }} }};
        PushManager.prototype.getSubscription = async () => null;
        PushManager.prototype.subscribe = async (wish) => {{
          globalThis.wished = [wish.userVisibleOnly, wish.applicationServerKey.length];
          return {{ toJSON: () => made }};
        }};
        """
    )
    page.goto("/#settings")
    page.reload()
    page.get_by_label("Call this phone").check()
    expect(page.locator("#bench")).to_contain_text("even while it is locked")
    assert page.evaluate("wished") == [True, 65]
    assert panel.call(lambda: len(panel.app.state.people.phones)) == 1
    session = panel.call(lambda: panel.app.state.people.sessions()[0].session_id)
    panel.call(lambda: panel.app.state.people.revoke(session))
    assert panel.call(lambda: len(panel.app.state.people.phones)) == 0


def test_the_page_is_installable(phone: tuple[Page, PanelServer]) -> None:
    page, _ = phone
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    devtools = page.context.new_cdp_session(page)
    manifest = devtools.send("Page.getAppManifest")
    assert manifest["errors"] == []
    errors = devtools.send("Page.getInstallabilityErrors")["installabilityErrors"]
    # A window without its own profile may not install anything; nothing else is wrong.
    assert [e["errorId"] for e in errors if e["errorId"] != "in-incognito"] == []


def test_the_page_of_instructions_reads_on_a_small_phone(phone: tuple[Page, PanelServer]) -> None:
    page, _ = phone
    page.goto("/trust")
    expect(page.locator("h1")).to_have_text("Let this phone trust the rig.")
    assert len(page.locator("#fingerprint").inner_text().split()) == 32
    wide, seen = page.evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= seen
    with page.expect_download() as started:
        page.locator("#fetch").tap()
    assert started.value.suggested_filename == "evenwall-authority.crt"


def test_a_phone_that_does_not_trust_it_is_warned(tmp_path: Path) -> None:
    settings = with_authority(Settings(host="localhost"), tmp_path / "tls")
    other = with_authority(Settings(host="localhost"), tmp_path / "another rig")
    assert other.tls_authority is not None
    with (
        PanelServer(settings=settings) as panel,
        trusting_browser(tmp_path / "home", other.tls_authority) as browser,
    ):
        page = browser.new_page()
        with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
            page.goto(panel.url)
