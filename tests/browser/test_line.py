"""Bad Wi-Fi: a page without a connection says so, and recovers completely."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPhone
from tests.browser.hands import begun, press_next, settled, tick_all, turning, until, weigh
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser


def cut(page: Page, off: bool) -> None:
    page.context.set_offline(off)
    if off:  # Chromium lets a stream that is open already go on
        page.evaluate("evenwall.line.source.close()")


def ids(page: Page) -> list[int]:
    found: list[int] = page.evaluate("evenwall.samples.map((s) => s.sample_id)")
    return found


def test_a_lost_line_is_told_within_three_seconds_and_looks_lost(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel)
    turning(panel)
    expect(page.locator("#count")).to_be_visible()
    page.evaluate(
        "new Promise((done) => { evenwall.line.source.close(); evenwall.line.open = () => {};"
        " const from = performance.now(); const look = () => {"
        " if (document.documentElement.classList.contains('stale')) {"
        " evenwall.took_ms = performance.now() - from; done(); } else setTimeout(look, 20); };"
        " look(); })"
    )
    assert page.evaluate("evenwall.took_ms") < 3500  # three seconds, and a beat of the page
    expect(page.locator("#sentence")).to_contain_text("Not hearing from the rig since")
    expect(page.locator("#why")).to_contain_text("The frame goes on by itself as planned.")
    expect(page.locator("#count-label")).to_contain_text(", by this phone")
    assert "Not hearing" in page.title()


def test_a_lost_line_before_turning_promises_nothing(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel)
    begun(panel)
    page.evaluate("evenwall.line.source.close(); evenwall.line.open = () => {}")
    until(page, "document.documentElement.classList.contains('stale')")
    expect(page.locator("#why")).not_to_contain_text("The frame goes on by itself")
    expect(page.locator("#why")).to_contain_text("Look at the rig, not at this page.")


def test_a_line_lost_while_mixing_keeps_the_clock_and_promises_nothing(
    open_phone: OpenPhone,
) -> None:
    with PanelServer(speed=1) as panel:
        page = open_phone(panel)
        begun(panel)
        tick_all(page)
        press_next(page)
        weigh(page)
        press_next(page)
        expect(page.locator("#count-time")).to_be_visible()
        page.evaluate("evenwall.line.source.close(); evenwall.line.open = () => {}")
        until(page, "document.documentElement.classList.contains('stale')")
        before = page.locator("#count-time").inner_text()
        expect(page.locator("#count-label")).to_contain_text(", by this phone")
        expect(page.locator("#count-time")).not_to_have_text(before)  # it goes on
        expect(page.locator("#why")).to_contain_text("The clock goes on by the time of this phone.")
        expect(page.locator("#why")).not_to_contain_text("The frame goes on by itself")


def test_a_run_that_ended_elsewhere_is_noticed(open_phone: OpenPhone, panel: PanelServer) -> None:
    """The run was given up while the phone had no connection, and while it showed another page."""
    page = open_phone(panel, ignore=("ERR_INTERNET_DISCONNECTED"))
    turning(panel)
    expect(page.locator("#count")).to_be_visible()
    page.get_by_role("link", name="Settings").tap()
    expect(page.locator("#bench h1")).to_be_visible()
    cut(page, True)
    until(page, "document.documentElement.classList.contains('stale')")
    panel.ask("abandon", reason="a crack in the mould")
    cut(page, False)
    until(page, "!document.documentElement.classList.contains('stale')", tries=400)
    page.get_by_role("link", name="The job").tap()
    expect(page.locator("#sentence")).to_have_text("This run was abandoned.")
    expect(page.locator("#count")).to_be_hidden()
    expect(page.get_by_role("link", name="This run and its result")).to_be_visible()


def test_ten_minutes_without_a_line_leave_no_gap(open_phone: OpenPhone) -> None:
    with PanelServer(speed=100) as panel:  # six seconds here are ten minutes there
        page = open_phone(panel, ignore=("ERR_INTERNET_DISCONNECTED"))
        turning(panel)
        until(page, "evenwall.samples.length > 5")
        cut(page, True)
        until(page, "document.documentElement.classList.contains('stale')")
        before = len(ids(page))
        page.wait_for_timeout(3000)
        cut(page, False)
        until(page, "!document.documentElement.classList.contains('stale')")
        until(page, f"evenwall.samples.length > {before + 5}")
        seen = ids(page)
        rig = panel.call(lambda: panel.service.curve(None, points=10**6))
        assert seen == [s.sample_id for s in rig if seen[0] <= s.sample_id <= seen[-1]]
        assert len(seen) > before


def test_a_press_that_cannot_be_sent_says_so(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel, ignore=("ERR_INTERNET_DISCONNECTED"))
    turning(panel)
    expect(page.locator("#sentence")).to_have_text("Keep turning.")
    cut(page, True)
    page.locator("#stop").tap()
    expect(page.locator("#answer")).to_contain_text("Use the stop at the rig.")
    cut(page, False)


def test_a_command_sent_twice_by_a_bad_wire_acts_once(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, ignore=("ERR_FAILED",))
    begun(panel)
    expect(page.locator("#job-name")).to_have_text("Lantern globe")
    settled(page)
    tries = []

    def lose_the_first_answer(route):  # type: ignore[no-untyped-def]
        tries.append(route.request.post_data)
        if len(tries) == 1:
            route.fetch()  # it reached the rig, its answer did not come back
            route.abort()
        else:
            route.continue_()

    page.route("**/api/command/note", lose_the_first_answer)
    page.locator("#note-text").fill("once")
    settled(page)  # the draft is kept, and its line appears
    page.get_by_role("button", name="Write it down").tap()
    expect(page.locator("#answer")).to_have_text("Noted.")
    assert len(tries) == 2
    assert tries[0] == tries[1]
    notes = [c for c in panel.commands() if c.name == "note"]
    assert len(notes) == 1


def test_a_stop_is_said_again_until_it_is_answered(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    """The first attempt is cut, the second is never answered: the third stops the frame, once."""
    page = open_phone(panel, ignore=("ERR_FAILED", "ERR_CONNECTION_RESET"))
    turning(panel)
    expect(page.locator("#sentence")).to_have_text("Keep turning.")
    tries = []

    def hold_up(route):  # type: ignore[no-untyped-def]
        tries.append(route.request.post_data)
        if len(tries) == 1:
            route.abort("connectionreset")
        elif len(tries) > 2:
            route.continue_()

    page.route("**/api/command/stop_turning", hold_up)
    page.locator("#stop").tap()
    expect(page.locator("#answer")).not_to_be_empty()
    expect(page.locator("#answer")).not_to_contain_text("could not be sent")
    assert len(tries) == 3
    assert len(set(tries)) == 1
    asked = [c.name for c in panel.commands()]
    assert asked.count("stop_turning") == 1


def test_the_shell_opens_without_a_line_and_shows_nothing_old(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    page = open_phone(panel, ignore=("ERR_INTERNET_DISCONNECTED", "ERR_FAILED"))
    turning(panel)
    page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
    page.reload()
    # The sentence is in the page before any script runs.
    until(page, "Boolean(globalThis.evenwall?.line.source)")
    expect(page.locator("#sentence")).to_have_text("Keep turning.")
    cut(page, True)
    page.reload()
    expect(page.locator("#sentence")).to_have_text("Not hearing from the rig.")
    expect(page.locator("#columns")).to_be_hidden()
    cut(page, False)
    expect(page.locator("#sentence")).to_have_text("Keep turning.", timeout=30_000)
