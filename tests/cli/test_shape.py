"""`evenwall shape`: measurements in; mesh, picture and casting file out; a plan of it works."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from evenwall.cli.main import main
from evenwall.geometry.mould import load_cavity
from evenwall.model import read_casting
from evenwall.model.written import toml_text
from evenwall.planning import make_plan
from tests.support.virtual_shop import SAMPLES, sample_rig

GLOBE = """name = "Globe from girths"
[turned]
heights_mm = [0, 15, 35, 55, 75, 95, 115, 130]
girths_mm = [0, 272, 381, 430, 438, 412, 340, 226]
closed_end = "round"
"""
CASTING = """[casting]
resin = "quick-clear.toml"
wall_mm = 4.5
"""


def written(folder: Path, text: str, name: str = "globe.shape.toml") -> Path:
    sheet = SAMPLES / "quick-clear.toml"
    (folder / sheet.name).write_text(sheet.read_text(encoding="utf-8"), encoding="utf-8")
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_makes_a_casting_that_can_be_planned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["shape", str(written(tmp_path, GLOBE + CASTING)), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    casting = read_casting(tmp_path / "globe.toml")
    cavity = load_cavity(casting)
    assert cavity.area_cm2 == pytest.approx(told["area_cm2"], rel=1e-3)
    assert cavity.solid_volume_cm3 == pytest.approx(told["volume_cm3"], rel=1e-3)
    assert (tmp_path / "globe.png").read_bytes().startswith(b"\x89PNG")
    plan = make_plan(casting, sample_rig(), time_budget_s=0.0)
    # Without a film the error is the shape's alone: 1.5 % of the mean wall.
    assert plan.wall.error_mm == pytest.approx(
        plan.wall.mean_mm * told["area_error_percent"] / 100.0, rel=0.01
    )
    assert any("girths at 8 heights" in note for note in plan.notes)


def test_resin_and_wall_may_stand_on_the_command_line(tmp_path: Path) -> None:
    path = written(tmp_path, GLOBE)
    assert main(["shape", str(path)]) == 0
    assert not (tmp_path / "globe.toml").exists()
    wish = ["--resin", "quick-clear.toml", "--wall-mm", "4"]
    assert main(["shape", str(path), *wish]) == 0
    assert read_casting(tmp_path / "globe.toml").wall_mm == 4.0


@pytest.mark.parametrize(
    ("text", "name", "options", "words"),
    [
        (GLOBE + CASTING, "globe.toml", [], "name it globe.shape.toml"),
        (GLOBE, "a.shape.toml", ["--wall-mm", "4"], "needs a resin and a wall"),
        (GLOBE, "a.shape.toml", ["--out", "/nowhere"], "must be a folder that exists"),
        ('name = "x"\n', "a.shape.toml", [], "describe the shape in one way"),
        (GLOBE.replace("272", "-1"), "a.shape.toml", [], "girths_mm.1 is -1.* mm: must be >= 0"),
        (GLOBE.replace("272", '"wide"'), "a.shape.toml", [], "must be a number"),
        (GLOBE.replace("turned", "tuned"), "a.shape.toml", [], "did you mean turned"),
    ],
)
def test_refuses_in_one_line(
    text: str,
    name: str,
    options: list[str],
    words: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["shape", str(written(tmp_path, text, name)), *options]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert re.search(words, told), told


def test_toml_is_read_back_as_written() -> None:
    table = {
        "name": 'a "b" \\ \x7f ü\n',
        "wall_mm": 4.5,
        "coats": 3,
        "open": True,
        "none": None,
        "list": [1.0, [2.0, 3.0]],
        "table": {"x": 1, "deep": {"y": "z"}},
        "many": [{"a": 1}, {"a": 2, "b": {"c": 3}}],
        "mixed": [{"a": 1}, "b", {"c": {"d": 2}}, {}],
    }
    back = tomllib.loads(toml_text(table))
    del table["none"]
    assert back == table
