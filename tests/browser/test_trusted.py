"""A phone that trusts the rig's own authority: wake lock, notifications, an installable page."""

from __future__ import annotations

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


def test_the_page_is_installable(phone: tuple[Page, PanelServer]) -> None:
    page, _ = phone
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    devtools = page.context.new_cdp_session(page)
    manifest = devtools.send("Page.getAppManifest")
    assert manifest["errors"] == []
    errors = devtools.send("Page.getInstallabilityErrors")["installabilityErrors"]
    # A window without a profile of its own may not install anything; nothing else is wrong.
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
