"""Mistakes that a person can make before a plan or a wall give one line that names the file, and
exit code 2."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from evenwall.cli.main import main
from evenwall.model import read_casting, read_rig
from evenwall.planning import make_plan

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "controller" / "samples"

RESIN = """name = "Any clear resin"
[sheet]
pot_life_min = 14
pot_life_mass_g = 100.0
pot_life_temp_degC = 23.0
mixed_viscosity_mPa_s = {viscosity}
mix_ratio_b_per_100a = 50.0
mixed_density_g_cm3 = 1.08
snap = false
"""
CASTING = """name = "Globe"
mesh = "form.stl"
resin = "resin.toml"
wall_mm = {wall}
[opening]
{opening}
"""


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """Return the one line that a person gets, without the notes and progress before it."""
    assert main(words) == 2
    said = capsys.readouterr()
    assert said.out == ""
    last = said.err.rstrip("\n").splitlines()[-1]
    assert last.startswith("evenwall: ")
    return last.removeprefix("evenwall: ")


# --- A casting ------------------------------------------------------------------------------------


def bowl() -> trimesh.Trimesh:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=80.0)
    part = ball.slice_plane([0.0, 0.0, 50.0], [0.0, 0.0, -1.0])
    part.merge_vertices()
    return part


def pulled_through(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    corners = np.array(mesh.vertices)
    corners[corners[:, 2].argmin()] = (120.0, 0.0, 0.0)
    return trimesh.Trimesh(corners, mesh.faces, process=False)


def twice(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.util.concatenate([mesh, mesh.copy().apply_translation([200.0, 0.0, 0.0])])


MESHES: dict[str, Callable[[trimesh.Trimesh], trimesh.Trimesh]] = {
    "closed": lambda _: trimesh.creation.icosphere(subdivisions=3, radius=80.0),
    "two": twice,
    "crossing": pulled_through,
    "metres": lambda mesh: mesh.apply_scale(1e-3),
}


@pytest.mark.parametrize(
    ("wrong", "file", "said"),
    [
        ({"viscosity": "nan"}, "resin.toml", "sheet.mixed_viscosity_mPa_s is nan mPa s"),
        ({"viscosity": "-300.0"}, "resin.toml", "is -300.0 mPa s: must be >= 20.0"),
        ({"wall": "-3.0"}, "globe.toml", "wall_mm is -3.0 mm: must be > 0.2"),
        ({"wall": "inf"}, "globe.toml", "wall_mm is inf mm"),
        (
            {"opening": "centre_mm = [0.0, 0.0, -80.0]"},
            "globe.toml",
            "opening.centre_mm is (0.0, 0.0, -80.0) mm: the nearest hole in the mesh is 130 mm",
        ),
        ({"mesh": "closed"}, "globe.toml", "mesh is closed: has no opening to pour through"),
        ({"mesh": "two"}, "globe.toml", "mesh is 2 bodies: must be one body"),
        ({"mesh": "crossing"}, "globe.toml", "crossings: must not cut through itself"),
        ({"mesh": "metres"}, "globe.toml", 'set mesh_units = "m"'),
    ],
)
def test_a_bad_casting(
    wrong: dict[str, str],
    file: str,
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    shape = bowl()
    (MESHES[wrong["mesh"]](shape) if "mesh" in wrong else shape).export(tmp_path / "form.stl")
    words = {"viscosity": "300.0", "wall": "3.0", "opening": ""} | wrong
    (tmp_path / "resin.toml").write_text(RESIN.format(**words))
    (tmp_path / "globe.toml").write_text(CASTING.format(**words))
    line = refused(capsys, "plan", str(tmp_path / "globe.toml"), "--time-budget-s", "1")
    assert line.startswith(f"{tmp_path / file}: ")
    assert said in line


# --- A plan ---------------------------------------------------------------------------------------


@cache
def good_plan() -> str:
    casting = read_casting(SAMPLES / "lantern-globe.toml")
    rig = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
    return make_plan(casting, rig, time_budget_s=0.0).model_dump_json()


def coat(**changed: Any) -> Callable[[dict[str, Any]], None]:
    return lambda plan: plan["coats"][0].update(changed)


def ramp(**changed: Any) -> Callable[[dict[str, Any]], None]:
    return lambda plan: plan["coats"][0]["ramps"][0].update(changed)


def without_ramps(plan: dict[str, Any]) -> None:
    del plan["coats"][0]["ramps"]


def five_hundred_times(plan: dict[str, Any]) -> None:
    """Weights that agree with each other and fit no mould."""
    for name in ("mix_g", "part_a_g", "part_b_g"):
        plan["coats"][0][name] *= 500.0


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (coat(viscosity=[[0.0, 0.6], [9.0, float("nan")]]), "coats.0.viscosity.1.1 is nan"),
        (coat(viscosity=[[0.0, 0.6], [9.0, -1.0]]), "coats.0.viscosity.1.1 is -1.0"),
        (coat(viscosity=[[9.0, 0.6], [8.0, 0.7]]), "coats[1].viscosity time_s is 8 s: must rise"),
        (coat(viscosity=[[0.0, 0.6]]), "coats[1].viscosity is 1: needs two entries or more"),
        (coat(mix_g=-5.0), "coats.0.mix_g is -5.0 g: must be > 0.0"),
        (coat(mix_g=5.0, cup_left_g=9.0), "is 5 g: must be above what stays in the cup, 9"),
        (five_hundred_times, "cm3: the parked mould holds at most "),
        (without_ramps, "coats.0.ramps is missing: is required"),
        (coat(ramps=[]), "coats[1].ramps is 0: needs at least one ramp"),
        (ramp(major_rpm=500.0), "coats[1].ramps[0].major_rpm is 500 rpm: Small frame turns at"),
        (ramp(minor_rpm=float("nan")), "coats.0.ramps.0.minor_rpm is nan rpm"),
        (ramp(duration_s=-5.0), "coats.0.ramps.0.duration_s is -5.0 s: must be > 0.0"),
        (lambda plan: plan.update(coats=[]), "coats is 0: needs at least one coat"),
        (coat(coat=2), "coats[1].coat is 2: must be 1, in order"),
        (lambda plan: plan.update(kind="film"), "kind is film: must be evenwall/plan"),
        (
            lambda plan: plan["casting"]["opening"].update(centre_mm=[0.0, 0.0, -900.0]),
            "opening.centre_mm is (0.0, 0.0, -900.0) mm: the nearest hole",
        ),
    ],
)
def test_a_bad_plan(
    spoil: Callable[[dict[str, Any]], None],
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    plan = json.loads(good_plan())
    spoil(plan)
    del plan["sha256"]  # otherwise the plan is refused because of its seal
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan))
    line = refused(capsys, "wall", str(path))
    assert line.startswith(f"{path}: ")
    assert said in line


@pytest.mark.parametrize(
    ("mesh_mm", "said"),
    [
        ("nan", "must be 0.2 to 100"),
        ("-3", "must be 0.2 to 100"),
        ("0.1", "must be 0.2 to 100"),
        ("60", "its second mesh, 1.4 times as wide, would have under 500 cells; 5 mm does"),
    ],
)
def test_a_bad_mesh_size(
    mesh_mm: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "plan.json"
    path.write_text(good_plan())
    line = refused(capsys, "wall", str(path), "--mesh-mm", mesh_mm)
    assert line.startswith(f"{path}: mesh size is {float(mesh_mm):g} mm: ")
    assert said in line


def test_a_mould_too_large_for_its_mesh(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two million cells of 0.2 mm are 0.07 m2; the limit is lower here, so that the test is
    quick."""
    monkeypatch.setattr("evenwall.geometry.film_mesh.MAX_CELLS", 5000)
    path = tmp_path / "plan.json"
    path.write_text(good_plan())
    line = refused(capsys, "wall", str(path), "--mesh-mm", "2")
    assert line.startswith(f"{path}: mesh size is 2 mm: would need ")
    assert line.endswith(" cells, at most 5000")
