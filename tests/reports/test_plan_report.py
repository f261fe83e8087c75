"""The report holds what a person needs on paper, in both formats."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from fpdf import FPDF
from lxml import etree
from matplotlib.figure import Figure

from evenwall.errors import InputError
from evenwall.geometry.mould import load_cavity
from evenwall.model import Plan, read_casting, read_rig
from evenwall.planning import CoatDone, make_plan, replan
from evenwall.planning.assemble import baseline_coats
from evenwall.planning.context import PlanningContext
from evenwall.planning.recipe import Recipe
from evenwall.planning.search import Found
from evenwall.reports.plan_report import baseline_of, pictures_of, write_report
from evenwall.reports.printed import Heading, Listed, Picture, Words, to_pdf
from evenwall_bridge.clock import SystemClock

ROOT = Path(__file__).resolve().parents[2]
RIG = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
LIGHTHOUSE = read_casting(ROOT / "controller" / "samples" / "lighthouse.toml")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(LIGHTHOUSE, RIG, time_budget_s=0.0)


def test_html_has_weights_clock_and_cautions(plan: Plan, tmp_path: Path) -> None:
    path = tmp_path / "plan.html"
    shown = [Picture(Figure(), f"picture {k}", raster=True) for k in range(3)]
    write_report(plan, path, shown)
    text = path.read_text(encoding="utf-8").replace("\u00a0", " ")
    coat = plan.coats[0]
    assert f"A {coat.part_a_g:.1f} g + B {coat.part_b_g:.1f} g" in text
    assert "pour in time to begin turning by" in text or "pour by" in text
    # The day that the clock is for, and the signs that people print.
    assert "Planned for a shop of 20.0 °C, 50 % humidity, the mould at 20.0 °C, on" in text
    assert "degC" not in text
    assert "cm2" not in text
    assert "Degas until the mix rises and falls" in text
    assert f"leave {coat.cup_left_g:.0f} g in the cup" in text
    assert "opening-down" in text
    assert "safety data sheet" in text
    assert "The rim is not the wall" in text
    assert text.count("data:image/png;base64,") == len(shown)
    assert all(one.caption in text for one in shown)
    assert "http" not in text  # nothing is fetched
    # Names come from files: they are escaped.
    named = plan.model_copy(
        update={"casting": plan.casting.model_copy(update={"name": "<b>Tower & Co</b>"})}
    )
    write_report(named, path)
    assert "&lt;b&gt;Tower &amp; Co" in path.read_text(encoding="utf-8").replace("\u00a0", " ")


def test_pdf(plan: Plan, tmp_path: Path) -> None:
    path = tmp_path / "plan.pdf"
    named = plan.casting.model_copy(update={"name": "Фонарь Ω"})
    write_report(
        plan.model_copy(update={"casting": named}),
        path,
        [Picture(Figure(), "The wall", raster=True)],
    )
    raw = path.read_bytes()
    assert raw.startswith(b"%PDF-")
    assert raw.count(b"/Type /Page\n") == 2  # one page of steps, one of pictures


def test_a_heading_is_not_the_last_line_of_a_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """This holds for every line of the page on which it falls."""
    pages: dict[str, int] = {}
    drawn = FPDF.multi_cell

    def noted(pdf: FPDF, *args: Any, **named: Any) -> object:
        done = drawn(pdf, *args, **named)
        pages[args[2].strip("\N{BULLET} ")] = pdf.page  # it may break before its first line
        return done

    monkeypatch.setattr(FPDF, "multi_cell", noted)
    for lines in range(30, 45):
        to_pdf("Title", [*[Words("line")] * lines, Heading("Mind"), Listed(("first", "second"))])
        assert pages["Mind"] == pages["first"]
    assert pages["Mind"] == 2


def test_a_picture_and_its_words_stand_on_one_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """This holds for any remaining space; a picture that fits is not moved to the next page."""
    drawn, shown = FPDF.multi_cell, FPDF.image
    words: list[int] = []
    pictures: list[int] = []

    def noted(pdf: FPDF, *args: Any, **named: Any) -> object:
        done = drawn(pdf, *args, **named)
        if args[2] == "its words":
            words.append(pdf.page)
        return done

    def seen(pdf: FPDF, *args: Any, **named: Any) -> object:
        done = shown(pdf, *args, **named)
        pictures.append(pdf.page)
        return done

    monkeypatch.setattr(FPDF, "multi_cell", noted)
    monkeypatch.setattr(FPDF, "image", seen)
    for lines in range(14, 30):  # the picture is 124 mm high, a line 5.75
        picture = Picture(Figure(figsize=(7.0, 5.0)), "its words", raster=True)
        to_pdf("Title", [*[Words("line")] * lines, picture])
        assert words[-1] == pictures[-1]  # the last, for a try that did not fit is taken back
    assert {1, 2} == set(words)


def test_any_other_ending_is_refused(plan: Plan, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"must end in \.html or \.pdf"):
        write_report(plan, tmp_path / "plan.docx")


def test_no_film_no_picture(plan: Plan) -> None:
    assert pictures_of(plan) == []


def test_the_plan_file_comes_back_alike(plan: Plan) -> None:
    assert Plan.model_validate_json(plan.model_dump_json(exclude_none=True)) == plan


def test_replanning_lays_what_is_missing(plan: Plan) -> None:
    """The first coat came out a fifth thin: by hand, the other two carry 4.0 - 0.8 x 4/3 mm."""
    first = plan.coats[0]
    on_wall = first.mix_g - first.cup_left_g
    real = CoatDone(mix_g=0.8 * on_wall + 3.0, cup_left_g=1.0, spill_g=2.0)
    again = replan(plan, [real], time_budget_s=0.0)
    assert len(again.coats) == 3
    assert again.coats[0].mean_mm == pytest.approx(0.8 * first.mean_mm)
    assert again.coats[1].mean_mm == pytest.approx((4.0 - 0.8 * 4.0 / 3) / 2)
    assert again.wall.mean_mm == pytest.approx(4.0)
    assert again.coats[0].ramps == first.ramps
    assert again.totals.resin_g == pytest.approx(sum(c.mix_g for c in again.coats))
    assert [c.coat for c in again.coats] == [1, 2, 3]


def test_replanning_without_time_keeps_the_wall_in_proportion(plan: Plan) -> None:
    """By hand: coat 1 as planned leaves all as it was; the figures scale with the mean."""
    wall = plan.wall.model_copy(update={"min_mm": 3.2, "p05_mm": 3.4, "cv": 0.08, "mesh_mm": 5.0})
    searched = plan.model_copy(update={"wall": wall, "limits": ("The rim.",)})
    first = plan.coats[0]
    real = CoatDone(mix_g=first.mix_g, cup_left_g=first.cup_left_g)
    again = replan(searched, [real], time_budget_s=0.0)
    assert again.wall.min_mm == pytest.approx(3.2)
    assert (again.wall.cv, again.wall.mesh_mm) == (0.08, 5.0)
    assert again.limits == ("The rim.",)
    assert "In proportion" in again.wall.note


class Rushed(SystemClock):
    """Each look takes ten seconds."""

    at_s = 0.0

    def now_s(self) -> float:
        self.at_s += 10.0
        return self.at_s


def test_replanning_that_finds_no_time_to_tell_its_wall_keeps_the_spins(plan: Plan) -> None:
    """A search so cut short has tried few recipes on wide cells: the plan was searched for longer.
    Their wall is computed, on the last mesh."""
    done = [CoatDone(mix_g=one.mix_g, cup_left_g=one.cup_left_g) for one in plan.coats[:2]]
    wall = plan.wall.model_copy(update={"mesh_error_mm": 0.2})
    details = {**plan.details, "search": {"films": 99, "gain_over_baseline": 1.3}}
    planned = plan.model_copy(update={"wall": wall, "details": details})
    again = replan(planned, done, time_budget_s=35.0, clock=Rushed())
    assert again.details["recipes"] == plan.details["recipes"]
    assert again.wall.mesh_mm == pytest.approx(0.93 * 5.8, abs=0.01)  # finer than what decides
    assert again.wall.min_mm is not None
    assert again.wall.mesh_error_mm == pytest.approx(0.2)  # by hand: the mean is what it was
    assert "cut short" not in again.wall.note
    assert again.details["search"] == details["search"]


def test_replanning_takes_a_coat_more_where_the_rest_would_slump(plan: Plan) -> None:
    first = plan.coats[0]
    on_wall = first.mix_g - first.cup_left_g
    thin = CoatDone(mix_g=first.cup_left_g + 0.22 * on_wall, cup_left_g=first.cup_left_g)
    assert len(replan(plan, [thin] * 2, time_budget_s=0.0).coats) == 4


def test_replanning_refuses_when_the_wall_is_there(plan: Plan) -> None:
    first = plan.coats[0]
    on_wall = first.mix_g - first.cup_left_g
    thick = CoatDone(mix_g=first.cup_left_g + 1.5 * on_wall, cup_left_g=first.cup_left_g)
    with pytest.raises(InputError, match="the wall is there"):
        replan(plan, [thick, thick], time_budget_s=0.0)
    with pytest.raises(InputError, match="coats done"):
        replan(plan, [], time_budget_s=0.0)


def test_the_baseline_turns_the_same_resin(plan: Plan) -> None:
    assert baseline_of(plan) is None  # nothing was searched, so nothing was compared
    bench = PlanningContext(plan.casting, plan.rig, load_cavity(plan.casting))
    batch = bench.batch(1.5)
    compared = Found(
        baseline={"ratio": 4.0}, baseline_recipe=Recipe(ratio=4.0, level_rpm=12.0, stand=0)
    )
    details = {
        **plan.details,
        "search": baseline_coats(bench, bench.series(batch, 3), compared, 0),
    }
    plain = baseline_of(plan.model_copy(update={"details": details}))
    assert plain is not None
    last = plain.coats[0].ramps[-1]
    assert last.major_rpm == pytest.approx(12.0)
    assert last.minor_rpm == pytest.approx(3.0)
    turned = plain.coats[0].clock.model_copy(update={"turn_by_s": None})
    assert turned == batch.clock  # poured at once, whenever the plan's own is
    assert plain.coats[0].mix_g == plan.coats[0].mix_g


def test_a_report_in_inches_has_no_metric_figure_in_its_words(plan: Plan, tmp_path: Path) -> None:
    path = tmp_path / "plan.html"
    write_report(plan, path, units="inch")
    tree = etree.fromstring(path.read_text(encoding="utf-8"), etree.HTMLParser())
    text = "".join(tree.itertext())
    assert re.search(r"A [\d.]+\soz \+ B [\d.]+\soz", text)
    assert re.findall(r"\d\s(?:g|mm|kg|ml|cm2|degC|\u00b0C)(?![\w/])", text) == []
