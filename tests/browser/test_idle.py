"""Cost of an untouched open page, by Chromium's own account of its processes."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.conftest import OpenPhone
from tests.browser.hands import turning, until
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser
SECONDS = 8.0
# Of a core, for a page that waits. While it turns, countdown and temperatures are drawn once or
# twice a second; on a machine without a graphics chip drawing is this process's work too. It takes
# 0.5 % while nothing runs and 1.0 to 1.5 % while it turns.
MOST_PERCENT = 2.0


def cpu_s(browser: Browser) -> float:
    """Return the CPU time of the pages' processes and of drawing, s, without the browser's own."""
    wire = browser.new_browser_cdp_session()
    found = wire.send("SystemInfo.getProcessInfo")["processInfo"]
    wire.detach()
    kinds = {"renderer", "GPU", "audio.mojom.AudioService"}
    return sum(float(process["cpuTime"]) for process in found if process["type"] in kinds)


def percent(browser: Browser, page: Page) -> float:
    """Return the share of a core over some seconds; the lowest of up to three, since other pages
    may be closing. The first that is low enough ends the trial."""
    lowest = math.inf
    for _ in range(3):
        before = cpu_s(browser)
        page.wait_for_timeout(1000 * SECONDS)
        lowest = min(lowest, 100.0 * (cpu_s(browser) - before) / SECONDS)
        if lowest <= MOST_PERCENT:
            break
    return lowest


def idle(panel: PanelServer) -> None:
    """Nothing runs."""


@pytest.mark.alone
@pytest.mark.parametrize("state", [idle, turning])
def test_an_untouched_page_costs_little(
    browser: Browser, open_phone: OpenPhone, state: Callable[[PanelServer], None]
) -> None:
    with PanelServer(speed=1) as panel:
        page = open_phone(panel, viewport={"width": 360, "height": 780})
        page.locator("h1").first.tap()  # a touch opens the speaker
        state(panel)
        until(page, "globalThis.evenwall !== undefined")
        page.wait_for_timeout(2000)
        found = percent(browser, page)
        print(f"\n{state.__name__}: {found:.2f} % of a core")
        page.close()
    assert found <= MOST_PERCENT
