"""A real Chromium with phones in it, and the rule that a page writes nothing to its console."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Locator, Page, expect

from tests.browser.hands import taking_aim, until
from tests.browser.playing import playing
from tests.web.server import PanelServer

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
# Until what a test waits for is there. A page whose machine is busy is late, not wrong; the tests
# that measure a time are marked `alone`.
PATIENCE_ms = 30_000
expect.set_options(timeout=PATIENCE_ms)
SIZES = {
    "small phone": (360, 740),
    "phone": (412, 915),
    "tablet": (768, 1024),
    "desktop": (1280, 900),
}


@pytest.fixture(autouse=True)
def steady_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take aim before each tap."""
    monkeypatch.setattr(Locator, "tap", taking_aim(Locator.tap))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.fail(
            "The browser tests need Chromium: sudo apt-get install chromium (make test does it).",
            pytrace=False,
        )
    with playing() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


OpenPhone = Callable[..., Page]


@pytest.fixture
def open_phone(browser: Browser) -> Iterator[OpenPhone]:
    """open_phone(panel, size="phone", role="operate", ignore=(), **context) -> a paired page.

    Fails the test if any page threw or wrote an error, except errors that contain a text of
    `ignore`.
    """
    contexts: list[BrowserContext] = []
    said: list[str] = []

    # A refusal by the run is an ordinary answer, but Chromium reports every 409 as an error; and
    # the panel may end before its pages do.
    ignored = {"409 (Conflict)", "ERR_CONNECTION_REFUSED"}

    panels: list[PanelServer] = []

    def listen(line: ConsoleMessage) -> None:
        # A panel that ends refuses or resets new connections; a panel that serves does not.
        if "ERR_CONNECTION_RESET" in line.text and any(panel.ending for panel in panels):
            return
        if line.type == "error" and not any(text in line.text for text in ignored):
            said.append(f"{line.text} {line.location.get('url', '')}")

    def open_phone(
        panel: PanelServer,
        size: str = "phone",
        role: Any = "operate",
        *,
        ignore: tuple[str, ...] = (),
        **more: Any,
    ) -> Page:
        ignored.update(ignore)
        panels.append(panel)
        width, height = SIZES[size]
        touch = size != "desktop"
        screen: dict[str, Any] = {
            "viewport": {"width": width, "height": height},
            "has_touch": touch,
            "is_mobile": touch,
            "base_url": panel.url,
        }
        context = browser.new_context(**screen | more)
        contexts.append(context)
        context.set_default_timeout(PATIENCE_ms)
        page = context.new_page()
        page.on("pageerror", lambda error: said.append(f"threw {error}"))
        page.on("console", listen)
        if role is not None:
            paired = context.request.post("/api/pair", data={"code": panel.code(role)})
            assert paired.ok
        page.goto("/")
        until(page, "globalThis.evenwall !== undefined")
        return page

    yield open_phone
    for context in contexts:
        context.close()
    assert said == []


@pytest.fixture
def panel() -> Iterator[PanelServer]:
    """A panel of the real service on a simulated rig, at thirty times real speed."""
    with PanelServer(speed=30) as panel:
        yield panel


@dataclass(frozen=True)
class Past:
    """A panel whose record holds one finished casting."""

    panel: PanelServer
    run_id: str


@pytest.fixture(scope="module")
def past() -> Iterator[Past]:
    with PanelServer(speed=30) as panel:
        yield Past(panel, panel.cast())
