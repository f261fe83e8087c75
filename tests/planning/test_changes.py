"""Changes that would move the thinnest place: their plans, their order, and the words."""

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
from evenwall.model import Casting, read_resin, read_rig
from evenwall.numerics.film import FilmMesh, WallWeights
from evenwall.planning import changes, mounting
from evenwall.planning.changes import Change, Holds, Outcome, compare, gain, what_holds
from evenwall.planning.mounting import Mounting
from evenwall.planning.search import Found
from evenwall.planning.walls import FINE, Grid
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


def outcome(
    thinnest: float, error: float = 0.02, coats: int = 3, holds: Holds = "spins"
) -> Outcome:
    return Outcome(thinnest, error, 0.96, thinnest - 0.1, coats, PLACE, holds)


def plans(
    monkeypatch: pytest.MonkeyPatch, refused: str = "", ends_after: int = 99
) -> list[tuple[int, float]]:
    """Stand in for the searches; the coats and the viscosity that each was given. ends_after:
    number of searches after which Ctrl-C is pressed."""
    seen: list[tuple[int, float]] = []

    def planned(context: changes.PlanningContext, options: object, wish: object) -> Found:
        del options, wish
        casting = context.casting
        thick = casting.resin.sheet.mixed_viscosity_mPa_s
        seen.append((casting.coats or 0, thick))
        if refused == "thick" and thick > 500.0:
            raise PlanError("resin", thick, "is too thick to pour")
        return Found(interrupted=len(seen) > ends_after)

    def made(found: Found, cavity: Cavity, coats: int) -> Outcome:
        del found
        thick = seen[-1][1]
        value = 0.80 + 0.02 * coats - 1e-5 * thick - 0.001 * abs(cavity.mouth_lean_deg())
        return outcome(value, coats=coats)

    monkeypatch.setattr(changes, "eased", lambda cavity, _: cavity)  # tested by itself above
    monkeypatch.setattr(changes, "choose", planned)
    monkeypatch.setattr(changes, "outcome_of", made)
    return seen


def test_every_change_is_planned_by_itself_and_the_best_comes_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    casting = leaning_egg(tmp_path)
    thick = casting.resin.sheet.mixed_viscosity_mPa_s
    mouth = np.asarray(load_cavity(casting).opening.direction)
    x, y, z = (float(part) for part in mouth)
    given = Mounting((0.0, 0.0, 1.0), 50.0, 0.7, 0.9, given=True)
    better = Mounting((x, y, z), 0.0, 0.8, 0.9, given=False)
    worse = Mounting((1.0, 0.0, 0.0), 40.0, 0.6, 0.9, given=False)
    monkeypatch.setattr(mounting, "compare", lambda *_, **__: (better, given, worse))
    seen = plans(monkeypatch)
    told: list[float] = []
    found = compare(casting, RIG, progress=lambda part, words: told.append(part))
    assert seen == [(3, thick), (4, thick), (3, thick / 2), (3, 2 * thick), (3, thick), (3, thick)]
    kinds = [one.kind for one in found]
    assert kinds[0] == "as_planned"
    assert sorted(kinds[1:]) == ["coat_more", "eased", "mounted", "thicker_mix", "thinner_mix"]
    values = [one.outcome.thinnest for one in found[1:] if one.outcome]
    assert values == sorted(values, reverse=True)
    best = next(one for one in found if one.kind == "mounted")
    assert best.casting.mount.minor_axis == (x, y, z)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_a_change_that_cannot_be_planned_is_told_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    casting = open_box(tmp_path)
    plans(monkeypatch, "thick")
    sheet = casting.resin.sheet.model_copy(update={"mixed_viscosity_mPa_s": 400.0})
    resin = casting.resin.model_copy(update={"sheet": sheet})
    found = compare(casting.model_copy(update={"resin": resin}), RIG)
    assert [one.kind for one in found if one.outcome is None] == ["thicker_mix"]
    words = Compared(casting, found).words()
    assert "  a mix twice as thick, or one that gels in half the time (" in words
    assert "too thick to pour" in words


def test_ctrl_c_keeps_the_changes_that_are_planned(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    casting = open_box(tmp_path)
    plans(monkeypatch, ends_after=2)
    assert [one.kind for one in compare(casting, RIG)] == ["as_planned", "coat_more"]
    plans(monkeypatch, ends_after=0)
    with pytest.raises(KeyboardInterrupt):
        compare(casting, RIG)


def test_what_holds_the_thinnest_place_is_read_from_the_skin_and_the_bound() -> None:
    """A tube of radius 4 mm turns tighter than five capillary lengths, a ball of 40 mm does not.
    Seen from the film inside, the tube's skin is concave; with its sides exchanged it is a ridge.
    """
    tube = trimesh.creation.cylinder(4e-3, 60e-3, sections=24).subdivide().subdivide()
    ball = trimesh.creation.icosphere(4, 40e-3)

    def found(mesh: FilmMesh, at: int, bound: float) -> Found:
        weights = WallWeights.of(mesh)
        wall = np.full(mesh.cells, 1e-3)
        near = np.linalg.norm(mesh.points - mesh.points[at], axis=1) < 8e-3
        wall[near] = 0.7e-3
        statistics = weights.statistics(wall)
        grid = Grid(mesh, weights, 5.0, FINE)
        return Found(grid=grid, statistics=statistics, mesh_error=0.03, bound=bound)

    def middle(mesh: FilmMesh) -> int:
        return int(np.abs(mesh.points[:, 2]).argmin())

    inside = FilmMesh.build(tube.vertices, tube.faces[:, ::-1], min_cells=100)
    outside = FilmMesh.build(tube.vertices, tube.faces, min_cells=100)
    assert what_holds(found(inside, middle(inside), 0.9)) == "crease"
    assert what_holds(found(outside, middle(outside), 0.9)) == "ridge"
    closed = FilmMesh.build(ball.vertices, ball.faces[:, ::-1], min_cells=100)
    at = middle(closed)
    low = found(closed, at, 0.0).statistics
    assert low is not None
    share = low.min / low.mean
    assert what_holds(found(closed, at, share + 0.05)) == "spins"
    assert what_holds(found(closed, at, share + 0.02)) == "form"  # within the mesh's error


def change(kind: changes.Kind, casting: Casting, thinnest: float, error: float) -> Change:
    coats = 4 if kind == "coat_more" else 3
    changed = casting.model_copy(update={"coats": coats})
    return Change(kind, changed, outcome(thinnest, error, coats))


@pytest.mark.parametrize(
    ("thinnest", "error", "advised"), [(0.93, 0.03, True), (0.93, 0.09, False), (0.8, 0.01, False)]
)
def test_a_change_is_advised_only_where_it_gains_more_than_the_errors(
    tmp_path: Path, thinnest: float, error: float, advised: bool
) -> None:
    casting = open_box(tmp_path)
    planned = (
        change("as_planned", casting, 0.85, 0.04),
        change("coat_more", casting, thinnest, error),
    )
    words = Compared(casting, planned).words()
    assert ("4 coats: gains 0.08 +- 0.05 of the mean wall." in words) is advised
    assert ("No change gains more than the error" in words) is not advised
    likeliest = "The likeliest gain: 4 coats, 0.08 +- 0.10 of the mean."
    assert (likeliest in words) is (not advised and thinnest > 0.85)
    assert "near [10, -20, 30] mm" in words
    assert "Other spins could leave more there" in words


def test_the_errors_of_two_plans_add_as_independent() -> None:
    more, error = gain(outcome(0.9, 0.03), outcome(0.85, 0.04))
    assert (more, error) == (pytest.approx(0.05), pytest.approx(0.05))


def test_the_command_prints_json_and_draws(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    casting = open_box(tmp_path)
    file = tmp_path / "box.toml"
    file.write_text(
        f'name = "Box"\nmesh = "box.stl"\nresin = "{RESIN}"\nwall_mm = 4.2\n', encoding="utf-8"
    )
    planned = (
        change("as_planned", casting, 0.85, 0.02),
        change("coat_more", casting, 0.93, 0.02),
        Change("thicker_mix", casting, None, "is too thick to pour"),
    )
    monkeypatch.setattr("evenwall.cli.changes.compare", lambda *_, **__: planned)
    drawn = tmp_path / "box.png"
    assert main(["changes", str(file), "--json", "--picture", str(drawn)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["kind"] == "evenwall/changes"
    assert data["held_by"] == "spins"
    assert [one.get("thinnest_over_mean") for one in data["changes"]] == [0.85, 0.93, None]
    assert drawn.stat().st_size > 10_000
    assert main(["changes", str(file), "--picture", str(tmp_path / "box.txt")]) == 2
    assert "must end in .png, .svg or .pdf" in capsys.readouterr().err
