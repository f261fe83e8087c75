"""Words and pictures of the command line in ounces, inches and Fahrenheit, where chosen."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from evenwall.cli.application import RECORD
from evenwall.cli.console import console_help, meaning
from evenwall.cli.main import main
from evenwall.geometry.shapes.build import build
from evenwall.geometry.shapes.measures import read_measures
from evenwall.model import orders
from evenwall.numerics import gel
from evenwall.reports import gel_view, shape_view
from evenwall.units import kelvin
from tests.cli.test_shape import GLOBE, written
from tests.house.test_figures import METRIC


@pytest.fixture(autouse=True)
def _own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.mark.parametrize("words", [["show"], ["compare"]])
def test_runs_are_printed_in_inches(
    words: list[str], a_proven_record: tuple[Path, str], capsys: pytest.CaptureFixture[str]
) -> None:
    path, run_id = a_proven_record
    against = [run_id] if words == ["compare"] else []
    path.rename(path.with_name(RECORD))
    data = ["--data", str(path.parent)]
    assert main(["runs", *words, run_id, *against, *data]) == 0
    metric = capsys.readouterr().out
    assert METRIC.search(metric)
    assert main(["runs", *words, run_id, *against, *data, "--units", "inch"]) == 0
    inch = capsys.readouterr().out
    assert METRIC.findall(inch) == []
    assert re.search(r"\d oz", inch)


def test_a_shape_is_printed_in_inches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, GLOBE)
    assert main(["shape", str(path), "--units", "inch"]) == 0
    said = capsys.readouterr().out
    assert METRIC.findall(said) == []
    assert re.search(r"[\d.]+ in x [\d.]+ in x [\d.]+ in", said)
    shape = build(read_measures(path), tmp_path)
    axes = shape_view.picture(shape, "Globe", "inch").axes[0]
    assert axes.get_xlabel() == "in"
    low, high = axes.get_ylim()
    assert high - low == pytest.approx(1.1 * float(shape.size_mm()[2]) / 25.4, rel=0.05)


def test_an_exotherm_is_drawn_in_fahrenheit() -> None:
    rows = [gel.Row(float(t), kelvin(20.0 + 0.1 * t), kelvin(20.0)) for t in range(0, 100, 10)]
    fitted = np.array([[r.time_s, r.probe_K, 1.0] for r in rows])
    estimate = gel.GelEstimate(
        at_s=90.0, best_s=600.0, low_s=500.0, high_s=700.0, safe_to_stop_s=800.0,
        probability_gelled=0.0, called_s=None, peak_K=rows[-1].probe_K, faults=(), says=(),
        sentence="It reads 29.0 degC.", curve=fitted,
    )  # fmt: skip
    axes = gel_view.draw(rows, estimate, "cup", "inch").axes[0]
    assert axes.get_ylabel() == "\u00b0F"
    assert [text.get_text() for text in axes.texts] == ["84.2 \u00b0F"]  # 29 degC
    assert axes.get_title(loc="left") == "It reads 84.2\u00a0\u00b0F."


def test_the_console_takes_weights_in_the_units_that_it_shows() -> None:
    """28.349523125 g = 1 oz, 25.4 mm = 1 in (NIST SP 811, B.8)."""
    weighed = meaning(["weigh", "2", "1"], "inch")
    assert isinstance(weighed, orders.Weigh)
    assert weighed.part_a_g == pytest.approx(2 * 28.349523125)
    assert weighed.part_b_g == pytest.approx(28.349523125)
    measured = meaning(["measure", "10", "0.2"], "inch")
    assert isinstance(measured, orders.Measure)
    assert measured.weight_g == pytest.approx(283.49523125)
    assert measured.rim_mm == pytest.approx((5.08,))
    assert "ounces of part A" in console_help("inch")
    assert "grams of part A" in console_help("metric")
