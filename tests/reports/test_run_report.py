"""The report contains everything that a person looks for, in HTML and in PDF."""

from __future__ import annotations

import html
import re
from pathlib import Path

import numpy as np
import pytest
from lxml import etree
from matplotlib.figure import Figure

from evenwall.cli.runs import compare_runs, report_run, runs_table, show_run
from evenwall.errors import InputError
from evenwall.history.comparison import comparison
from evenwall.history.recorded import Recorded
from evenwall.records.journal import Journal
from evenwall.reports import printed
from evenwall.reports.run_report import curves, write_report
from tests.house.test_figures import METRIC


def test_the_report_holds_what_was_done(a_proven_record: tuple[Path, str], tmp_path: Path) -> None:
    path, run_id = a_proven_record
    journal = Journal(path)
    picture = tmp_path / "out-of-the-mould.png"
    Figure(figsize=(1, 1)).savefig(picture)
    report_run(journal, run_id, tmp_path / "report.html", [picture])
    run = Recorded.read(journal, run_id)
    journal.close()
    page = (tmp_path / "report.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    tree = etree.fromstring(page, etree.HTMLParser())
    text = html.unescape("".join(tree.itertext()))
    assert "Simulated: no resin was poured" in text
    assert run.proof is not None
    assert run.proof.sha256 in text
    for coat in run.state.coats:
        assert f"{coat.part_a_g:.1f} g" in text
        assert coat.steps_counted is not None
        assert str(coat.steps_counted[0]) in text
    assert "foot" in text
    cells = ["".join(cell.itertext()) for cell in tree.iter("td")]
    assert not {"ticked", "drafted", "call over", "call_over"} & set(cells)  # as on the page
    assert f"Started {run.events[0].utc[:10]} {run.events[0].utc[11:16]} UTC." in text
    # Nothing is last and lonely on a page of its own: the record, which is long, ends the report.
    assert text.index("safety data sheet") < text.index("As recorded")
    assert len(tree.findall(".//svg")) == 4  # three coats, and where down has been
    assert [img.get("src", "")[:15] for img in tree.iter("img")] == ["data:image/png;"]
    assert "http" not in "".join(img.get("src", "")[:4] for img in tree.iter("img"))


def test_the_report_in_inches_has_no_metric_figure(
    a_proven_record: tuple[Path, str], tmp_path: Path
) -> None:
    """Its words, its tables, and the axes of its curves."""
    path, run_id = a_proven_record
    journal = Journal(path)
    run = Recorded.read(journal, run_id)
    journal.close()
    write_report(run, tmp_path / "report.html", units="inch")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    text = "".join(etree.fromstring(page, etree.HTMLParser()).itertext())
    assert re.search(r"[\d.]+\soz", text)
    assert METRIC.findall(text) == []
    for metric, inch in zip(curves(run), curves(run, "inch"), strict=True):
        if isinstance(metric, printed.Picture) and isinstance(inch, printed.Picture):
            heats = [one.of.axes[0] for one in (metric, inch) if isinstance(one.of, Figure)]
            assert [heat.get_ylabel() for heat in heats] == ["\u00b0C", "\u00b0F"]
            low_degC, low_degF = (np.nanmin(heat.lines[0].get_ydata()) for heat in heats)
            assert low_degF == pytest.approx(1.8 * low_degC + 32.0)


def test_measures_that_are_not_proven_are_told_in_words(
    a_record: tuple[Path, str], tmp_path: Path
) -> None:
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    write_report(run, tmp_path / "report.html", units="inch")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "weight_g" not in page
    assert "rim_mm" not in page


def test_the_report_as_pdf(a_record: tuple[Path, str], tmp_path: Path) -> None:
    """ISO 32000 files begin and end so; every letter printed has a glyph (fpdf2 would warn)."""
    journal = Journal(a_record[0])
    report_run(journal, a_record[1], tmp_path / "report.pdf")
    journal.close()
    data = (tmp_path / "report.pdf").read_bytes()
    assert data.startswith(b"%PDF-")
    assert data.rstrip().endswith(b"%%EOF")
    assert data.count(b"/Type /Page\n") >= 2


def test_a_report_elsewhere_is_refused_in_one_line(
    a_record: tuple[Path, str], tmp_path: Path
) -> None:
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    with pytest.raises(InputError, match=r"must end in \.html or \.pdf"):
        write_report(run, tmp_path / "report.doc")
    with pytest.raises(InputError, match="No such file"):
        write_report(run, tmp_path / "none" / "report.html")
    with pytest.raises(InputError, match="picture"):
        write_report(run, tmp_path / "report.html", pictures=[tmp_path / "none.jpg"])


def test_a_run_against_itself_differs_by_nothing(
    a_record: tuple[Path, str], tmp_path: Path
) -> None:
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    found = comparison(run, run)
    assert len(found.figures) == 8 * len(run.plan.coats) + 2  # and the casting's weight and rim
    assert {one.difference for one in found.figures} == {0.0}
    assert found.sentence.startswith("The film flowed the same way")
    assert [coat.coat for coat in found.coats] == [1, 2, 3]
    for coat in found.coats:
        left = [row[0] for row in coat.this_run]
        assert left[0] == pytest.approx(100.0)
        assert left == sorted(left, reverse=True)
    told = compare_runs(journal, run.run_id, run.run_id)
    assert told.data["figures"][0]["what"] == "mixed"
    assert "+0.0 K" in told.text
    with pytest.raises(InputError, match="is not a replay"):
        compare_runs(journal, run.run_id)
    report_run(journal, run.run_id, tmp_path / "both.html", against=run.run_id)
    journal.close()
    assert "Turns against cure" in (tmp_path / "both.html").read_text(encoding="utf-8").replace(
        "\u00a0", " "
    )


def test_only_coats_that_gelled_turning_are_compared(a_record: tuple[Path, str]) -> None:
    """A run still under way is held against another by the coats it has; by none, it says so."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    gels = [place for place, event in enumerate(run.events) if event.kind == "gelled"]
    one = Recorded(run.run_id, run.plan_json, run.events[: gels[1]], run.samples)
    assert [coat.coat for coat in comparison(one, run).coats] == [1]
    none = Recorded(run.run_id, run.plan_json, run.events[: gels[0]], run.samples)
    with pytest.raises(InputError, match="no coat that turned until it gelled"):
        comparison(none, run)


def test_the_list_and_the_run_in_words(a_record: tuple[Path, str]) -> None:
    journal = Journal(a_record[0])
    table = runs_table([journal])
    assert a_record[1] in table.text
    assert table.data[0]["coats_done"] == 3
    told = show_run(journal, a_record[1])
    for word in (
        "gel planned",
        "gel found",
        "steps expected",
        "steps counted",
        "Faults:",
        "Notes:",
    ):
        assert word in told.text
    assert [coat["steps_expected"] == coat["steps_counted"] for coat in told.data["coats"]] == [
        True
    ] * 3
    with pytest.raises(InputError, match="no such run"):
        show_run(journal, "none")
    journal.close()
    empty = Journal(None)
    assert runs_table([empty]).text == "No runs yet."
    empty.close()


def test_a_page_escapes_what_people_write() -> None:
    page = printed.to_html("<b>", [printed.Words("a < b & c"), printed.Table(("<",), (("&",),))])
    assert "<b>" not in page
    assert "a &lt; b &amp; c" in page
