"""Changes that would move the thinnest place: their trials, their order, and the words."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import trimesh

from evenwall.cli.changes import Compared
from evenwall.cli.main import main
from evenwall.errors import PlanError
from evenwall.geometry.easing import EDGE_MM, eased
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import Casting, RigSpec, read_resin, read_rig
from evenwall.planning import changes
from evenwall.planning.changes import Change, compare
from evenwall.planning.trial import Tried
from tests.planning.test_mounting import leaning_egg

ROOT = Path(__file__).resolve().parents[2]
RIG = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
RESIN = ROOT / "controller" / "samples" / "quick-clear.toml"
PLACE = (10.0, -20.0, 30.0)


def open_box(folder: Path) -> Casting:
    """A cup with square edges, 80 mm wide and 70 mm high, open above."""
    box = trimesh.creation.box([80.0, 80.0, 70.0])
    box.update_faces(box.face_normals[:, 2] < 0.5)
    box.export(folder / "box.stl")
    return Casting(
        name="Box", mesh=folder / "box.stl", resin=read_resin(RESIN), wall_mm=4.2, coats=3
    )


@pytest.mark.parametrize("radius_mm", [4.0, 8.0])
def test_an_edge_is_eased_to_its_radius_and_the_rim_stays(tmp_path: Path, radius_mm: float) -> None:
    """Smoothed along the surface by a Gaussian of width s, a right-angled edge keeps the least
    radius s sqrt(pi)/2 and draws back by s/sqrt(pi), which is 2/pi of that radius. The tolerance is
    what points 3 mm apart leave open."""
    cavity = load_cavity(open_box(tmp_path))
    found = eased(cavity, radius_mm)
    points = found.vertices_mm
    # The upright edge at x = y = 40, away from the floor and the rim.
    level = np.abs(points[:, 2]) < 15.0
    diagonal = (points[level, 0] + points[level, 1]) / math.sqrt(2.0)
    back_mm = 40.0 * math.sqrt(2.0) - diagonal.max()
    assert back_mm == pytest.approx(2.0 * radius_mm / math.pi, rel=0.15)
    rim = points[points[:, 2] > 34.99]
    assert np.abs(np.abs(rim[:, :2]).max(axis=1) - 40.0).max() < 1e-6
    sides = np.abs(points[level & (np.abs(points[:, 1]) < 15.0), 0])
    assert sides.max() == pytest.approx(40.0, abs=0.05)
    assert found.triangles.shape[0] > (4 * 80 * 70) / EDGE_MM**2
    with pytest.raises(ValueError, match="needs 2 to 20"):
        eased(cavity, 1.0)


def trials(monkeypatch: pytest.MonkeyPatch, refused: str = "") -> list[tuple[int, float]]:
    """Stand in for the films; the coats and the viscosity that each trial was given."""
    seen: list[tuple[int, float]] = []

    def tried(casting: Casting, rig: RigSpec, cavity: Cavity, seed: int) -> Tried:
        del rig, seed
        thick = casting.resin.sheet.mixed_viscosity_mPa_s
        coats = casting.coats or 0
        seen.append((coats, thick))
        if refused == "thick" and thick > 500.0:
            raise PlanError("resin", thick, "is too thick to pour")
        value = 0.80 + 0.02 * coats - 1e-5 * thick - 0.001 * abs(cavity.mouth_lean_deg())
        return Tried(value, value + 0.05, coats, PLACE)

    monkeypatch.setattr(changes, "tried", tried)
    return seen


def test_every_change_is_tried_by_itself_and_the_best_comes_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    casting = leaning_egg(tmp_path)
    thick = casting.resin.sheet.mixed_viscosity_mPa_s
    seen = trials(monkeypatch)
    told: list[float] = []
    found = compare(casting, RIG, progress=lambda part, words: told.append(part))
    each = [(3, thick), (4, thick), (3, thick / 2), (3, 2 * thick), (3, thick)]
    assert seen[:10:2] == seen[1:10:2] == each  # two trials of each
    assert len(seen) == 2 * (5 + 3)  # its mouth leans: three other mountings
    kinds = [one.kind for one in found]
    assert kinds[0] == "as_planned"
    assert sorted(kinds[1:]) == ["coat_more", "eased", "mounted", "thicker_mix", "thinner_mix"]
    values = [one.thinnest for one in found[1:]]
    assert values == sorted(values, reverse=True)
    best = next(one for one in found if one.kind == "mounted")
    mouth = np.asarray(load_cavity(casting).opening.direction)
    assert abs(mouth @ np.array(best.casting.mount.minor_axis)) > 0.99
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_a_change_that_cannot_be_planned_is_told_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    casting = open_box(tmp_path)
    trials(monkeypatch, "thick")
    sheet = casting.resin.sheet.model_copy(update={"mixed_viscosity_mPa_s": 400.0})
    resin = casting.resin.model_copy(update={"sheet": sheet})
    found = compare(casting.model_copy(update={"resin": resin}), RIG)
    assert [one.kind for one in found if not one.tried] == ["thicker_mix"]
    words = Compared(casting, found).words()
    assert "refused           a mix twice as thick, or one that gels in half the time (" in words
    assert "too thick to pour" in words


def change(kind: changes.Kind, casting: Casting, *thinnest: float) -> Change:
    coats = 4 if kind == "coat_more" else 3
    changed = casting.model_copy(update={"coats": coats})
    return Change(kind, changed, tuple(Tried(one, 0.96, coats, PLACE) for one in thinnest))


@pytest.mark.parametrize(
    ("thinnest", "advised"), [((0.93, 0.91), True), ((0.93, 0.86), False), ((0.8, 0.7), False)]
)
def test_a_change_is_advised_only_where_it_gains_with_both_seeds(
    tmp_path: Path, thinnest: tuple[float, ...], advised: bool
) -> None:
    casting = open_box(tmp_path)
    tried = (change("as_planned", casting, 0.85, 0.84), change("coat_more", casting, *thinnest))
    words = Compared(casting, tried).words()
    assert ("4 coats: gains at least 0.07 of the mean wall in both trials." in words) is advised
    assert ("No change gains 0.04 or more in both trials" in words) is not advised
    assert "near [10, -20, 30] mm" in words


def test_the_command_prints_json_and_draws(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    casting = open_box(tmp_path)
    file = tmp_path / "box.toml"
    file.write_text(
        f'name = "Box"\nmesh = "box.stl"\nresin = "{RESIN}"\nwall_mm = 4.2\n', encoding="utf-8"
    )
    tried = (
        change("as_planned", casting, 0.85, 0.84),
        change("coat_more", casting, 0.93, 0.91),
        Change("thicker_mix", casting, (), "is too thick to pour"),
    )
    monkeypatch.setattr("evenwall.cli.changes.compare", lambda *_, **__: tried)
    drawn = tmp_path / "box.png"
    assert main(["changes", str(file), "--json", "--picture", str(drawn)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["kind"] == "evenwall/changes"
    assert [one["thinnest_over_mean"] for one in data["changes"]] == [
        [0.85, 0.84],
        [0.93, 0.91],
        [],
    ]
    assert drawn.stat().st_size > 10_000
    assert main(["changes", str(file), "--picture", str(tmp_path / "box.txt")]) == 2
    assert "must end in .png, .svg or .pdf" in capsys.readouterr().err
