"""The pictures of a plan, on the smallest phone: one scale, marks, thicknesses by a tap, axes."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from evenwall.palette import AMBER, SPREAD
from tests.browser.conftest import OpenPhone, Past
from tests.web.plans import globe_mesh
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser
PHONE = {"viewport": {"width": 360, "height": 780}}
WALL = re.compile(r"Here: (\d\.\d\d)\smm, (\d+) % (under|over) the wanted 4\.5\smm\.")
# Software drawing reads pixels back for a screenshot and says so; a person's phone does not.
GRAPHICS = "GPU stall due to ReadPixels"


@pytest.fixture
def plan(open_phone: OpenPhone, panel: PanelServer) -> Page:
    """The page of a plan that has been made."""
    page = open_phone(panel, ignore=(GRAPHICS,), **PHONE)
    page.goto("/#plan/globe")
    page.get_by_role("button", name="Make the plan").tap()
    page.get_by_role("button", name="Take this plan").wait_for()
    page.locator(".sides canvas").first.wait_for()
    return page


def chips(page: Page) -> list[str]:
    """The colours of the legend, as #rrggbb."""
    found = page.locator("#bench .chip").evaluate_all(
        "all => all.map((e) => getComputedStyle(e).backgroundColor)"
    )
    return ["#" + "".join(f"{int(v):02x}" for v in re.findall(r"\d+", text)) for text in found]


def tapped_mm(page: Page, selector: str, across: float, down: float) -> float:
    """Wall that the page reads out at a share of a picture's width and height."""
    picture = page.locator(selector).first
    picture.scroll_into_view_if_needed()
    page.wait_for_timeout(300)
    box = picture.bounding_box()
    assert box is not None
    page.touchscreen.tap(box["x"] + across * box["width"], box["y"] + down * box["height"])
    said = page.locator("#bench p.figures[role=status]").first
    expect(said).to_have_text(WALL)
    found = WALL.fullmatch(said.inner_text())
    assert found is not None
    wall_mm = float(found[1])
    off = (wall_mm / 4.5 - 1) * (1 if found[3] == "over" else -1)
    assert round(100 * off) == pytest.approx(int(found[2]), abs=1)  # the figures are rounded
    return wall_mm


def test_the_scale_is_the_one_of_the_server_about_the_wanted_wall(plan: Page) -> None:
    assert chips(plan) == list(AMBER)
    key = plan.locator("#bench .key").first
    expect(key).to_contain_text(f"{4.5 * (1 - SPREAD):.1f} mm or less")
    expect(key).to_contain_text("4.5 mm wanted")
    expect(key).to_contain_text("thinnest place, 3.6 mm")
    expect(key).to_contain_text("opening")
    plan.get_by_role("button", name="Turn the casting round").tap()
    plan.locator("#bench canvas.pan").wait_for()
    assert chips(plan) == list(AMBER)


def test_a_tap_reads_the_wall_from_the_sides(plan: Page) -> None:
    """The front faces -y: there cos(3 * -90 deg) is 0 and the wall is as wanted, less a little."""
    walls = globe_mesh()["wall_mm"]
    wall_mm = tapped_mm(plan, ".sides canvas", 0.5, 0.6)
    assert min(walls) <= wall_mm <= max(walls)
    assert wall_mm == pytest.approx(4.5, abs=0.1)  # a triangle is 21 mm wide there


def test_the_casting_is_cut_away_and_seen_through_and_read(plan: Page) -> None:
    plan.get_by_role("button", name="Turn the casting round").tap()
    canvas = plan.locator("#bench canvas.pan")
    canvas.wait_for()
    walls = globe_mesh()["wall_mm"]
    for name in ("Cut away", "Seen through", "Whole"):
        plan.get_by_role("button", name=name).tap()
        expect(canvas).to_have_attribute("aria-label", re.compile(name.lower()))
        wall_mm = tapped_mm(plan, "#bench canvas.pan", 0.5, 0.5)
        assert min(walls) <= wall_mm <= max(walls)
    thinnest = re.compile(r"Thinnest place 3\.6\smm of 4\.5\smm")
    expect(canvas).to_have_attribute("aria-label", thinnest)


def test_the_turning_and_the_time_have_axes_and_are_not_cut_off(plan: Page) -> None:
    for heading, unit in (("timeline", "min"), ("how it turns", "rpm")):
        drawing = plan.locator(f"#bench h2:text-is('{heading}') + div svg[role=img]")
        drawing.first.wait_for()
        for svg in drawing.all():
            box = svg.bounding_box()
            assert box is not None
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 360
            reach = svg.evaluate(
                "e => Math.max(...[...e.children].map((c) => c.getBBox())"
                ".map((b) => b.x + b.width)) - e.viewBox.baseVal.width"
            )
            assert reach <= 0
        words = drawing.first.locator("text").all_text_contents()
        assert any(unit in word for word in words)
        assert sum(bool(re.fullmatch(r"−?[\d.]+", word)) for word in words) >= 4
    scrolled = plan.locator("#bench .scroll:has(svg)")
    assert scrolled.count() == 0


def test_a_replay_is_held_against_its_proven_run_in_mm(open_phone: OpenPhone, past: Past) -> None:
    again = past.panel.call(lambda: past.panel.rig.repeat(past.run_id))
    page = open_phone(past.panel, **PHONE)
    page.goto(f"/#run/{again}")  # both have the mesh that is stood in for: no place differs
    verdict = page.locator("#bench .why[role=status]")
    expect(verdict).to_contain_text("at most 0.00 mm off at any place; thinnest place 3.63 mm")
    said = page.evaluate(
        """async () => {
          const { wallVerdict } = await import("/panel/late/replay.js");
          const wall = (wall_mm, as_turned) => ({ wall_mm, as_turned, thinnest_mm: wall_mm[0] });
          const [now, then] = [wall([4, 5, 6], true), wall([4.3, 5, 6.3], true)];
          return [wallVerdict(now, then), wallVerdict(now, wall([4, 5, 6], false))];
        }"""
    )
    assert said[0].startswith(
        "The wall: on average 0.20 mm thinner than the proven one, at most 0.30 mm off"
    )
    assert said[1].startswith("No verdict on the wall: not every coat")
