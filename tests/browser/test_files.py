"""A run's photographs and papers on a small phone, by touch alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Page, expect

from tests.browser.conftest import OpenPhone, Past
from tests.browser.test_access import no_sideways_scroll, no_violation

pytestmark = pytest.mark.browser
SHARES = """() => {
  navigator.canShare = () => true;
  navigator.share = async ({ files }) => {
    globalThis.shared = files.map((file) => `${file.name} ${file.type}`);
  };
}"""


def opened(open_phone: OpenPhone, past: Past) -> Page:
    page = open_phone(past.panel, "small phone")
    page.goto(f"/#run/{past.run_id}")
    expect(page.locator("#bench h1")).to_have_text("Lantern globe")
    return page


def test_a_photograph_is_added_to_a_run(open_phone: OpenPhone, past: Past, tmp_path: Path) -> None:
    Image.effect_noise((1600, 900), 60).convert("RGB").save(tmp_path / "cut.jpg")
    page = opened(open_phone, past)
    keep = page.get_by_role("button", name="Keep the photograph")
    keep.tap()
    expect(page.get_by_text("Choose the photograph first.")).to_be_visible()
    page.locator("#run-photo").set_input_files(tmp_path / "cut.jpg")
    page.locator("#run-photo-what").select_option("cut_edge")
    page.locator("#run-photo-text").fill("4.4 mm at the foot")
    keep.tap()
    picture = page.get_by_role("img", name="the cut edge: 4.4 mm at the foot")
    expect(picture).to_be_visible(timeout=90_000)
    picture.scroll_into_view_if_needed()
    expect(picture).not_to_have_js_property("naturalWidth", 0)
    expect(page.locator("#bench .lines")).to_contain_text(
        "Photograph kept. The cut edge: 4.4 mm at the foot."
    )
    no_sideways_scroll(page)
    no_violation(page)
    assert not list(past.panel.service.library.folder.glob("photo-*"))


def test_papers_are_saved_where_the_phone_cannot_share(
    open_phone: OpenPhone, past: Past, tmp_path: Path
) -> None:
    page = opened(open_phone, past)
    page.evaluate("navigator.canShare = undefined")
    for label, name in (
        ("The run on paper", "lantern-globe-run.pdf"),
        ("The whole run, to export", "lantern-globe-run.zip"),
        ("The plan on paper", "lantern-globe-plan.pdf"),
    ):
        page.get_by_role("button", name=label).tap()
        row = page.locator(".paper").filter(has=page.get_by_role("button", name=label))
        with page.expect_download() as saved:
            row.get_by_role("link", name="Save").tap()
        assert saved.value.suggested_filename == name
        assert Path(saved.value.path()).stat().st_size > 0
        expect(row.get_by_role("button", name="Share")).to_have_count(0)
    no_sideways_scroll(page)
    no_violation(page)


def test_a_paper_is_handed_to_the_phones_own_sharing(open_phone: OpenPhone, past: Past) -> None:
    page = opened(open_phone, past)
    page.evaluate(SHARES)
    page.get_by_role("button", name="The run on paper").tap()
    page.get_by_role("button", name="Share").tap()
    page.wait_for_function("globalThis.shared !== undefined")
    assert page.evaluate("globalThis.shared") == ["lantern-globe-run.pdf application/pdf"]


def test_what_cannot_be_made_says_why(open_phone: OpenPhone, past: Past) -> None:
    page = open_phone(past.panel, "small phone", ignore=("404 (Not Found)", "503 (Service"))
    page.goto(f"/#run/{past.run_id}")
    page.route(
        "**/run.pdf*",  # the units asked for follow it
        lambda route: route.fulfill(
            status=503, json={"detail": "Too many documents are being made."}
        ),
    )
    page.get_by_role("button", name="The run on paper").tap()
    # A page that loads on a busy machine takes the tap late.
    expect(page.get_by_text("Too many documents are being made.")).to_be_visible(timeout=90_000)
