"""'New casting' and 'New resin' on a small phone, by touch alone."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import trimesh
from playwright.sync_api import Locator, Page, Route, expect

from evenwall.geometry.shapes.measures import read_measures
from evenwall.model import FirstBatch, read_casting, read_resin
from tests.browser.conftest import OpenPhone
from tests.browser.test_access import no_sideways_scroll, no_violation
from tests.geometry.camera import render
from tests.support.virtual_shop import SAMPLES
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser
REFUSED = "422 (Unprocessable"


@pytest.fixture
def folder(panel: PanelServer) -> Path:
    kept = panel.service.library.folder
    shutil.copy(SAMPLES / "quick-clear.toml", kept)
    return kept


def opened(open_phone: OpenPhone, panel: PanelServer, title: str, page_name: str) -> Page:
    page = open_phone(panel, "small phone", ignore=(REFUSED, "ERR_CONNECTION_RESET"))
    page.goto(f"/#{page_name}")
    expect(page.locator("#bench h1")).to_have_text(title)
    return page


def look(page: Page) -> None:
    page.get_by_role("button", name="Show the shape").tap()
    expect(page.locator(".sides svg")).to_have_count(2, timeout=90_000)


def test_casting_from_girths(open_phone: OpenPhone, panel: PanelServer, folder: Path) -> None:
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#name").fill("Globe of Örn")
    for _ in range(3):
        page.get_by_role("button", name="Add a height").tap()
    heights = (0, 15, 35, 55, 75, 95, 115, 130)
    girths = (0, 272, 381, 430, 438, 412, 340, 226)
    for n, (height, girth) in enumerate(zip(heights, girths, strict=True), 1):
        page.locator(f"#height-{n}").fill(str(height))
        page.locator(f"#width-{n}").fill(str(girth))
    # The end is left flat, which contradicts a girth of 0: the refusal says so, and nothing is
    # lost.
    page.get_by_role("button", name="Show the shape").tap()
    expect(page.get_by_text("a flat end has a girth")).to_be_visible(timeout=90_000)
    expect(page.get_by_text("Girth 1 is 0")).to_be_visible()  # in the words of the form
    expect(page.locator("#width-1")).to_be_focused()
    page.locator("#closed-end").select_option("round")
    look(page)
    no_sideways_scroll(page)
    no_violation(page)
    page.locator("#resin").select_option("quick-clear.toml")
    page.locator("#cast-wall").fill("4.5")
    page.locator("#next").tap()
    expect(page.locator("#bench h1")).to_have_text("Globe of Örn", timeout=90_000)
    casting = read_casting(folder / "globe-of-orn.toml")
    assert casting.wall_mm == 4.5
    assert casting.shape is not None
    page.get_by_role("link", name="Change it").tap()
    expect(page.locator("#width-5")).to_have_value("438")


def test_new_resin_with_a_photograph_of_its_sheet(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    render(trimesh.creation.box((50, 50, 70)), tmp_path / "sheet.jpg", 0.0, 500.0, 0.0, tall_px=300)
    page = opened(open_phone, panel, "New resin", "new-resin")
    page.locator("#name").fill("Amber Clear")
    keep = page.locator("#next")
    page.locator("#pot_life_min").fill("9000")
    keep.tap()
    expect(page.get_by_text("Pot life, min: must be 0.5 to 1440.")).to_be_visible()
    for key, value in (
        ("pot_life_min", "12"),
        ("mixed_viscosity_mPa_s", "550"),
        ("mix_ratio_b_per_100a", "90"),
        ("mixed_density_g_cm3", "1.07"),
        ("demould_min", "5"),
    ):
        page.locator(f"#{key}").fill(value)
    keep.tap()
    expect(page.get_by_text("at least the pot life")).to_be_visible()
    page.locator("#demould_min").fill("90")
    (tmp_path / "note.jpg").write_bytes(b"no picture")
    page.locator("#sheet-photo").set_input_files(tmp_path / "note.jpg")
    keep.tap()
    expect(page.get_by_text("note.jpg is not a picture.")).to_be_visible()
    page.locator("#sheet-photo").set_input_files(tmp_path / "sheet.jpg")
    no_sideways_scroll(page)
    no_violation(page)
    keep.tap()
    expect(page.locator("#bench h1")).to_have_text("Resins")
    assert read_resin(folder / "amber-clear.toml").sheet.demould_min == 90
    assert (folder / "amber-clear.sheet.jpg").is_file()
    page.get_by_role("link", name="Copy Amber Clear").tap()
    expect(page.locator("#name")).to_have_value("Amber Clear 2")
    expect(page.locator("img.kept")).to_be_visible()


def test_broken_upload_goes_on_from_where_it_was(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    trimesh.creation.icosphere(5, radius=70.0).export(tmp_path / "ball.stl")
    page = opened(open_phone, panel, "New casting", "new-casting")
    sent: list[str] = []

    def broken(route: Route) -> None:
        if route.request.method == "PUT":
            sent.append(route.request.url.split("offset=")[1].split("&")[0])
            if len(sent) == 2:
                route.abort("connectionreset")
                return
        route.continue_()

    page.route("**/api/library/uploads/**", broken)
    page.locator("#name").fill("Ball")
    page.locator("#shape-way").select_option("scan")
    page.locator("#scan-file").set_input_files(tmp_path / "ball.stl")
    page.locator("#scan-mm").fill("140")
    page.locator("#mouth").fill("70")
    look(page)
    assert sent[:3] == ["0", "500000", "500000"]
    assert (folder / "ball-scan.stl").read_bytes() == (tmp_path / "ball.stl").read_bytes()


def test_a_shape_waits_for_the_outlines_being_looked_for(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    form = trimesh.creation.cylinder(40.0, 120.0)
    form.apply_translation([0, 0, 60])
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#name").fill("Tin")
    page.locator("#shape-way").select_option("photos")
    page.locator("#photo-height").fill("120")
    for n, turn in ((1, 0.0), (2, 90.0)):
        render(form, tmp_path / f"view-{n}.jpg", turn, 800.0, 60.0, tall_px=300)
        page.locator(f"#photo-{n}").set_input_files(tmp_path / f"view-{n}.jpg")
    look(page)
    expect(page.get_by_text("120.0 mm high")).to_be_visible()


def test_outline_is_corrected_by_finger(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    form = trimesh.creation.cylinder(40.0, 120.0)
    form.apply_translation([0, 0, 60])
    for name, turn in (("front.jpg", 0.0), ("side.jpg", 90.0)):
        render(form, tmp_path / name, turn, 800.0, 60.0, tall_px=400)
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#name").fill("Tin")
    page.locator("#shape-way").select_option("photos")
    page.locator("#photo-height").fill("120")
    for n, name in ((1, "front.jpg"), (2, "side.jpg")):
        page.locator(f"#photo-{n}").set_input_files(tmp_path / name)
        expect(page.get_by_text("Drag a corner where the outline is wrong.")).to_have_count(
            n, timeout=90_000
        )
        page.locator(f"#photo-{n}-far").fill("800")
    no_sideways_scroll(page)
    corner = page.locator("svg").filter(has=page.locator(".corner")).first.locator(".corner").last
    before = corner.get_attribute("cx")
    drag(page, corner, (6.0, 0.0))
    assert corner.get_attribute("cx") != before
    corner.press("ArrowLeft")
    look(page)
    expect(page.get_by_text("120.0 mm high")).to_be_visible()
    no_violation(page)


def drag(page: Page, target: Locator, by: tuple[float, float]) -> None:
    """Drag with one finger: down on the middle of this, along, and up, as a touch screen sends
    it."""
    target.evaluate("e => e.scrollIntoView({ block: 'center' })")
    box = target.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    session = page.context.new_cdp_session(page)
    for kind, share in (("touchStart", 0.0), ("touchMove", 0.5), ("touchMove", 1.0)):
        point = {"x": x + share * by[0], "y": y + share * by[1]}
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [point]})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    session.detach()


def test_opening_is_moved_by_finger(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    trimesh.creation.icosphere(4, radius=70.0).export(tmp_path / "ball.stl")
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#name").fill("Ball")
    page.locator("#shape-way").select_option("scan")
    page.locator("#scan-file").set_input_files(tmp_path / "ball.stl")
    page.locator("#scan-mm").fill("140")
    look(page)
    expect(page.get_by_text("Open at the top, at height 130.6 mm, level.")).to_be_visible()
    before = page.evaluate("scrollY")
    handle = page.get_by_role("button", name="Height of the opening, front")
    drag(page, handle, (0.0, 20.0))
    words = page.get_by_text("Open at the top")
    expect(words).not_to_contain_text("130.6")
    drag(page, page.get_by_role("button", name="Right end of the opening, front"), (0.0, -12.0))
    expect(words).to_contain_text("leaning")
    assert before is not None
    no_sideways_scroll(page)
    no_violation(page)
    page.get_by_role("button", name="Higher").tap()
    said = words.inner_text()
    # Made again, the form is open where the finger left it, and it is saved like that.
    look(page)
    expect(page.get_by_text(said)).to_be_visible()
    page.locator("#resin").select_option("quick-clear.toml")
    page.locator("#next").tap()
    expect(page.locator("#bench h1")).to_have_text("Ball", timeout=90_000)
    kept = read_measures(folder / "ball.shape.toml").mouth
    assert kept is not None
    assert kept.height_mm is not None
    assert kept.height_mm < 130.0
    assert kept.lean_deg[0] > 2.0
    assert kept.lean_deg[1] == 0.0


def test_a_refused_scan_offers_its_mends(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    ball = trimesh.creation.icosphere(3, radius=70.0)
    other = ball.copy()
    other.apply_translation([0.0, 0.0, 80.0])
    trimesh.util.concatenate([ball, other]).export(tmp_path / "two.stl")
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#name").fill("Two balls")
    page.locator("#shape-way").select_option("scan")
    page.locator("#scan-file").set_input_files(tmp_path / "two.stl")
    page.locator("#scan-mm").fill("220")
    page.get_by_role("button", name="Show the shape").tap()
    expect(page.get_by_text("must be one body")).to_be_visible(timeout=90_000)
    expect(page.get_by_text("“Draw a new skin round it” draws one skin")).to_be_visible()
    expect(page.get_by_role("button", name="Keep the largest")).to_be_visible()
    no_sideways_scroll(page)
    page.get_by_role("button", name="Draw a new skin").tap()
    expect(page.locator(".sides svg")).to_have_count(2, timeout=150_000)
    expect(page.get_by_label("Draw a new skin round it")).to_be_checked()
    no_violation(page)


def an_egg_and_one_more_body(open_phone: OpenPhone, panel: PanelServer) -> Page:
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#name").fill("Bottle")
    page.locator("#shape-way").select_option("body")
    page.locator("#body-1").select_option("egg")
    page.locator("#body-1-height_mm").fill("120")
    page.locator("#body-1-diameter_mm").fill("90")
    page.get_by_role("button", name="One more body").tap()
    return page


def test_what_was_typed_survives_a_reload(
    open_phone: OpenPhone, panel: PanelServer, folder: Path
) -> None:
    page = an_egg_and_one_more_body(open_phone, panel)
    page.locator("#body-2").select_option("cylinder")
    page.locator("#body-2-height_mm").fill("60")
    page.locator("#mouth").fill("30")
    page.locator("#state").select_option("open")
    page.reload()
    expect(page.get_by_text("was restored.")).to_be_visible()
    for key, value in (
        ("#name", "Bottle"),
        ("#body-1", "egg"),
        ("#body-1-diameter_mm", "90"),
        ("#body-2", "cylinder"),
        ("#body-2-height_mm", "60"),
        ("#mouth", "30"),
        ("#state", "open"),
    ):
        expect(page.locator(key)).to_have_value(value)
    no_sideways_scroll(page)
    no_violation(page)
    page.get_by_role("button", name="Begin afresh").tap()
    expect(page.locator("#name")).to_have_value("")
    expect(page.get_by_text("was restored.")).to_have_count(0)


def test_a_photographs_outline_survives_a_reload(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    form = trimesh.creation.cylinder(40.0, 120.0)
    form.apply_translation([0, 0, 60])
    render(form, tmp_path / "front.jpg", 0.0, 800.0, 60.0, tall_px=400)
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#shape-way").select_option("photos")
    page.locator("#photo-1").set_input_files(tmp_path / "front.jpg")
    expect(page.get_by_text("Drag a corner where the outline is wrong.")).to_be_visible(
        timeout=90_000
    )
    corners = page.locator(".corner").count()
    page.reload()
    expect(page.locator("#shape-way")).to_have_value("photos")
    expect(page.locator(".corner")).to_have_count(corners)


def test_an_upload_goes_on_after_a_reload(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    """The page is closed in the middle of sending: the same file, chosen again, continues where it
    stopped."""
    trimesh.creation.icosphere(5, radius=70.0).export(tmp_path / "ball.stl")
    sent: list[str] = []

    def cut(route: Route) -> None:
        if route.request.method == "PUT":
            sent.append(route.request.url.split("offset=")[1].split("&")[0])
            if sent == ["0", "500000"]:
                route.abort("connectionreset")
                return
        route.continue_()

    def begin(page: Page) -> None:
        page.locator("#name").fill("Ball")
        page.locator("#shape-way").select_option("scan")
        page.locator("#scan-file").set_input_files(tmp_path / "ball.stl")
        page.locator("#scan-mm").fill("140")
        page.get_by_role("button", name="Show the shape").tap()

    page = opened(open_phone, panel, "New casting", "new-casting")
    page.route("**/api/library/uploads/**", cut)
    begin(page)
    expect(page.get_by_text("The connection broke; trying again")).to_be_visible()
    page.reload()
    page.locator("#scan-file").set_input_files(tmp_path / "ball.stl")
    look(page)
    assert sent[:3] == ["0", "500000", "500000"]
    assert (folder / "ball-scan.stl").read_bytes() == (tmp_path / "ball.stl").read_bytes()


def test_the_first_batchs_touch_is_kept_with_the_resin(
    open_phone: OpenPhone, panel: PanelServer, folder: Path
) -> None:
    page = opened(open_phone, panel, "Change Quick Clear", "edit-resin/quick-clear")
    page.locator("#first-mass_g").fill("80")
    page.locator("#first-temp_degC").fill("21")
    keep = page.locator("#next")
    keep.tap()
    expect(page.get_by_text("For the first batch give mass, temperature")).to_be_visible()
    page.locator("#first-gel_min").fill("2000")
    keep.tap()
    expect(page.get_by_text("The cup gelled after, min: must be 0.5 to 1440.")).to_be_visible()
    page.locator("#first-gel_min").fill("14.5")
    no_sideways_scroll(page)
    no_violation(page)
    keep.tap()
    expect(page.locator("#bench h1")).to_have_text("Resins")
    first = read_resin(folder / "quick-clear.toml").first_batch
    assert first == FirstBatch(mass_g=80, temp_degC=21, gel_min=14.5)


def test_a_refusal_names_the_field_by_its_label(
    open_phone: OpenPhone, panel: PanelServer, folder: Path
) -> None:
    page = opened(open_phone, panel, "New casting", "new-casting")
    told = """async (sentence) => {
      const { meant } = await import("/panel/late/shapes.js");
      const { words } = meant(sentence, document.querySelector("#bench form"));
      return [words, document.activeElement.id];
    }"""
    for sentence, words, field in (
        ("turned.girths_mm[0] is 0 mm: wrong", "Girth 1 is 0 mm: wrong", "width-1"),
        ("turned.girths_mm[-1] is 0 mm: wrong", "Girth 5 is 0 mm: wrong", "width-5"),
        ("turned.heights_mm.2 is -1.0 mm: wrong", "Height 3 is -1.0 mm: wrong", "height-3"),
        ("water.mass_g is -9 g: wrong", "Water the mould holds, if weighed is -9", "water"),
    ):
        said, focused = page.evaluate(told, sentence)
        assert said.startswith(words)
        assert focused == field
    for sentence, words in (
        ("name is taken: must be another", "name is taken: must be another"),
        ("so write distance_mm.", "so write it under “Lens to the middle of the form”."),
        ('closed_end = "flat" ends flat', "“flat” under “The closed end is” ends flat"),
        ("an egg needs height_mm, diameter_mm", "an egg needs “Height”, “Diameter”"),
    ):
        said, _ = page.evaluate(told, sentence)
        assert said == words


def test_a_comma_is_a_decimal_point(
    open_phone: OpenPhone, panel: PanelServer, folder: Path
) -> None:
    """A field of the type "number" turned 12,5 into 125 on an English phone."""
    page = opened(open_phone, panel, "New casting", "new-casting")
    field = page.locator("#height-2")
    for typed, read in (("12,5", "12.5"), ("-3.5 mm", "-3.5"), ("1,2,5", "1.25"), ("abc", "")):
        field.fill("")
        field.press_sequentially(typed)
        expect(field).to_have_value(read)
    field.press_sequentially("-")
    page.locator("#next").tap()
    page.locator("#name").fill("Jar")
    page.locator("#next").tap()
    expect(page.get_by_text("Height 2: write a number, such as 12.5.")).to_be_visible()


def test_a_refusal_stands_beside_its_field(
    open_phone: OpenPhone, panel: PanelServer, folder: Path
) -> None:
    """A height without its girth was silently left out; a refusal appeared screens below."""
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#name").fill("Jar")
    keep = page.locator("#next")
    keep.tap()
    expect(page.get_by_text("Girth 1: is missing")).to_be_visible()
    page.locator("#width-1").fill("200")
    keep.tap()
    expect(page.get_by_text("Measure the girth at three heights at least")).to_be_visible()
    page.locator("#width-2").fill("240")
    keep.tap()
    expect(page.get_by_text("Height 2: is missing")).to_be_visible()
    page.locator("#height-2").fill("80")
    page.locator("#cast-wall").fill("400")
    keep.tap()
    said = page.get_by_text("Wall: must be 0.3 to 50")
    expect(said).to_be_in_viewport()
    expect(page.locator("#cast-wall")).to_be_in_viewport()
    expect(page.locator("#cast-wall")).to_be_focused()
    no_sideways_scroll(page)
    no_violation(page)


def test_bodies_are_left_out_and_opened_by_a_button(
    open_phone: OpenPhone, panel: PanelServer, folder: Path
) -> None:
    page = an_egg_and_one_more_body(open_phone, panel)
    page.get_by_role("button", name="Show the shape").tap()
    expect(page.get_by_text("a ball needs “Diameter”")).to_be_visible(timeout=90_000)
    page.locator("#body-2").select_option("none: leave it out")
    page.get_by_role("button", name="Show the shape").tap()
    page.get_by_role("button", name="Open it 45.0\u00a0mm wide").tap()
    expect(page.locator(".sides svg")).to_have_count(2, timeout=90_000)
    expect(page.locator("#mouth")).to_have_value("45")
    no_violation(page)


def test_a_wrong_file_is_refused_before_it_is_sent(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    page = opened(open_phone, panel, "New casting", "new-casting")
    page.locator("#shape-way").select_option("scan")
    for name, words in (("scan.zip", "scan.zip is not a mesh"), ("scan.obj", "scan.obj is empty")):
        (tmp_path / name).touch()
        page.locator("#scan-file").set_input_files(tmp_path / name)
        page.get_by_role("button", name="Show the shape").tap()
        expect(page.get_by_text(words)).to_be_visible()
    page.locator("#shape-way").select_option("photos")
    page.locator("#photo-height").fill("120")
    page.get_by_role("button", name="Show the shape").tap()
    expect(page.get_by_text("At least two photographs with an outline are needed")).to_be_visible()


def test_a_slow_shape_holds_up_no_other_page(
    open_phone: OpenPhone, panel: PanelServer, folder: Path
) -> None:
    """While the rig makes a shape the page says so, and the maker may open another page."""
    page = opened(open_phone, panel, "New casting", "new-casting")
    held: list[Route] = []
    page.route("**/api/library/castings/jar", lambda route: held.append(route))
    page.locator("#name").fill("Jar")
    for n, (height, girth) in enumerate(((0, 200), (80, 240)), 1):
        page.locator(f"#height-{n}").fill(str(height))
        page.locator(f"#width-{n}").fill(str(girth))
    page.locator("#next").tap()
    expect(page.get_by_text("Keeping it …")).to_be_visible()
    page.goto("/#new-resin")
    expect(page.locator("#bench h1")).to_have_text("New resin")
    page.locator("#next").tap()
    expect(page.get_by_text("Give the resin a name.")).to_be_visible()
    held[0].fulfill(json={})
    page.wait_for_timeout(300)
    expect(page.locator("#bench h1")).to_have_text("New resin")


def test_a_resin_is_kept_once_though_its_photograph_breaks_off(
    open_phone: OpenPhone, panel: PanelServer, folder: Path, tmp_path: Path
) -> None:
    """The photograph is refused at first; when pressed again, the page does not report that the
    resin's name is already used."""
    render(trimesh.creation.box((50, 50, 70)), tmp_path / "sheet.jpg", 0.0, 500.0, 0.0, tall_px=300)
    page = opened(open_phone, panel, "New resin", "new-resin")
    full = {"detail": "folder is 1000 MB: may hold 1000"}
    refused: list[str] = []

    def once(route: Route) -> None:
        if route.request.method == "PUT" and not refused:
            refused.append(route.request.url)
            route.fulfill(status=422, json=full)
        else:
            route.continue_()

    page.route("**/api/library/uploads/**", once)
    page.locator("#name").fill("Amber Clear")
    for key, value in (
        ("pot_life_min", "12"),
        ("mixed_viscosity_mPa_s", "550"),
        ("mix_ratio_b_per_100a", "90"),
        ("mixed_density_g_cm3", "1.07"),
    ):
        page.locator(f"#{key}").fill(value)
    page.locator("#sheet-photo").set_input_files(tmp_path / "sheet.jpg")
    page.locator("#next").tap()
    expect(page.get_by_text("may hold 1000")).to_be_visible()
    page.locator("#next").tap()
    expect(page.locator("#bench h1")).to_have_text("Resins")
    assert (folder / "amber-clear.sheet.jpg").is_file()
