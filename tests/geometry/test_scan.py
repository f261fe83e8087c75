"""Scans with all the usual faults, in all five formats."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import trimesh

from evenwall.errors import InputError
from evenwall.geometry.shapes import scan
from evenwall.geometry.shapes.build import build
from evenwall.geometry.shapes.measures import parse_measures
from evenwall.geometry.shapes.opening import plane_of
from evenwall.geometry.shapes.shape import Shape
from evenwall.geometry.surface import boundary_loops

R, MOUTH = 70.0, 35.0
LID = R - math.sqrt(R**2 - MOUTH**2)
AREA = (4 * math.pi * R**2 - 2 * math.pi * R * LID) / 100.0
VOLUME = (4 / 3 * math.pi * R**3 - math.pi * LID**2 * (3 * R - LID) / 3) / 1000.0


def scanned(folder: Path, file: str, mouth: bool = True, **scan: object) -> Shape:
    data: dict[str, object] = {"name": "scan", "scan": {"file": file, **scan}}
    if mouth:
        data["mouth"] = {"diameter_mm": 2 * MOUTH}
    return build(parse_measures(data, "test"), folder)


def spoiled() -> trimesh.Trimesh:
    """A ball in metres with holes, faces turned round and a floater that makes it look larger."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.07)
    rng = np.random.default_rng(3)
    faces = ball.faces.copy()
    turned = rng.random(len(faces)) < 0.03
    faces[turned] = faces[turned][:, ::-1]
    keep = np.ones(len(faces), dtype=bool)
    keep[[100, 101, 2000, 9000]] = False
    floater = trimesh.creation.icosphere(subdivisions=1, radius=0.004)
    floater.apply_translation([0.0, 0.0, 0.2])
    body = trimesh.Trimesh(ball.vertices, faces[keep], process=False)
    return trimesh.util.concatenate([body, floater])


@pytest.mark.parametrize("kind", ["obj", "ply", "stl", "3mf", "glb"])
def test_spoiled_ball_is_mended(kind: str, tmp_path: Path) -> None:
    """Closed forms of a ball cut at 70 mm; 20,480 facets lose 0.1 % of it."""
    spoiled().export(tmp_path / f"ball.{kind}")
    shape = scanned(tmp_path, f"ball.{kind}", known_mm=2 * R)
    assert shape.area_cm2 == pytest.approx(AREA, rel=0.003)
    assert shape.volume_cm3 == pytest.approx(VOLUME, rel=0.003)
    said = " ".join(shape.notes)
    for words in ("A loose piece was", "turned round", "hole", "Scaled by its height"):
        assert words in said
    assert trimesh.Trimesh(shape.points_mm, shape.faces).is_winding_consistent


@pytest.mark.parametrize(("kind", "up"), [("ply", "z"), ("glb", "y"), ("stl", "-y")])
def test_front_of_a_scan_is_its_front(kind: str, up: str, tmp_path: Path) -> None:
    """A box 30 wide and 40 high whose right front edge stands out. With y upwards a form faces +z
    (glTF 2.0, section 3.4): the front, right and top of the box are then +z, +x and +y."""
    box = trimesh.creation.box((30.0, 50.0, 40.0))
    at = np.array(box.vertices)
    at[(at[:, 0] > 0) & (at[:, 1] < 0), 1] -= 8.0
    x, y, z = at.T
    box.vertices = np.column_stack({"z": (x, y, z), "y": (x, z, -y), "-y": (x, -z, y)}[up])
    box.export(tmp_path / f"box.{kind}")
    scan = {"file": f"box.{kind}", "known": "width", "known_mm": 30.0, "up": up}
    data = {"name": "box", "scan": scan, "mouth": {"height_mm": 30.0}}
    points = build(parse_measures(data, "test"), tmp_path).points_mm
    assert np.ptp(points, axis=0) == pytest.approx([30.0, 58.0, 30.0], rel=1e-5)
    assert points[points[:, 1].argmin(), 0] > 14.0


def test_overlapping_bodies_are_refused_and_the_mend_works(tmp_path: Path) -> None:
    """The refusal names two mends; a wrap gives the union's closed form within 1 %."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=R)
    other = ball.copy()
    other.apply_translation([0.0, 0.0, 80.0])
    trimesh.util.concatenate([ball, other]).export(tmp_path / "two.stl")
    with pytest.raises(InputError, match=r'keep = "largest".*wrap = true'):
        scanned(tmp_path, "two.stl", known_mm=220.0)
    shape = scanned(tmp_path, "two.stl", known_mm=220.0, wrap=True)
    lens = R - 40.0
    cap = math.pi * lens**2 * (3 * R - lens) / 3000.0
    area = AREA + (4 * math.pi * R**2 - 4 * math.pi * R * lens) / 100.0
    assert shape.volume_cm3 == pytest.approx(VOLUME + 4 / 3 * math.pi * 343.0 - 2 * cap, rel=0.01)
    assert shape.area_cm2 == pytest.approx(area, rel=0.01)


def test_mesh_with_very_many_triangles_is_drawn_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The test uses a quarter of the triangles, of the limit and of the cells for the new skin."""
    monkeypatch.setattr(scan, "MANY_FACES", 30_000)
    monkeypatch.setattr(scan, "WRAP_CELLS", 50)
    trimesh.creation.icosphere(subdivisions=6, radius=R).export(tmp_path / "fine.stl")
    shape = scanned(tmp_path, "fine.stl", units="mm")
    assert len(shape.faces) < 30_000
    assert shape.area_cm2 == pytest.approx(AREA, rel=0.01)
    assert any("triangles were replaced by" in note for note in shape.notes)


def test_opening_of_the_scan_itself_is_kept(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=R)
    cut = ball.slice_plane([0, 0, R - LID], [0, 0, -1.0])
    cut.export(tmp_path / "open.ply")
    shape = scanned(tmp_path, "open.ply", mouth=False, units="mm")
    assert shape.area_cm2 == pytest.approx(AREA, rel=0.003)
    assert any("looks upwards" in note for note in shape.notes)


def test_closed_scan_gets_an_opening_proposed(tmp_path: Path) -> None:
    trimesh.creation.icosphere(subdivisions=5, radius=R).export(tmp_path / "closed.stl")
    shape = scanned(tmp_path, "closed.stl", mouth=False, units="mm")
    assert shape.volume_cm3 == pytest.approx(VOLUME, rel=0.003)
    assert any("70 mm is proposed at the top" in note for note in shape.notes)


@pytest.mark.parametrize(
    ("content", "name", "words"),
    [
        (b"", "a.stl", "cannot be read|no surface"),
        (b"solid x\nendsolid x\n", "b.stl", "no surface"),
        (b"\x00" * 200, "c.ply", "cannot be read"),
        (b"PK\x03\x04 rubbish", "d.3mf", "cannot be read"),
        (b"glTF rubbish", "e.glb", "the header is not that of a GLB file"),
        (b"hello", "f.txt", "must be OBJ, PLY, STL, 3MF or GLB"),
    ],
)
def test_rubbish_is_refused_in_one_line(
    content: bytes, name: str, words: str, tmp_path: Path
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=words):
        scanned(tmp_path, name, known_mm=100.0)


def test_missing_length_is_asked_for(tmp_path: Path) -> None:
    trimesh.creation.icosphere(radius=3.0).export(tmp_path / "ball.obj")
    with pytest.raises(InputError, match="measure its height"):
        scanned(tmp_path, "ball.obj")


def test_an_opening_may_lean(tmp_path: Path) -> None:
    """A plane that leans by 30 degrees and lies as far from a ball's middle cuts off the same cap
    (Archimedes), whichever way it leans."""
    trimesh.creation.icosphere(subdivisions=5, radius=R).export(tmp_path / "ball.stl")
    away, lean = R - LID, 30.0
    height = R + away / math.cos(math.radians(lean))
    for lean_deg in ((lean, 0.0), (0.0, -lean)):
        mouth = {"height_mm": height, "lean_deg": list(lean_deg)}
        data = {"name": "scan", "scan": {"file": "ball.stl", "units": "mm"}, "mouth": mouth}
        shape = build(parse_measures(data, "test"), tmp_path)
        assert shape.volume_cm3 == pytest.approx(VOLUME, rel=0.003)
        assert shape.area_cm2 == pytest.approx(AREA, rel=0.003)
        loop = boundary_loops(shape.faces)[0]
        _, found = plane_of(shape.points_mm, loop)
        assert found == pytest.approx(lean_deg, abs=0.2)
    with pytest.raises(InputError, match="a leaning opening needs height_mm"):
        parse_measures({**data, "mouth": {"diameter_mm": 70.0, "lean_deg": [10.0, 0.0]}}, "test")


def test_the_opening_of_an_open_scan_is_proposed_as_a_cut(tmp_path: Path) -> None:
    """The same cut asked for gives the same form; the holes round it are closed first."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=R)
    lean = math.radians(20.0)
    normal = [math.sin(lean), 0.0, -math.cos(lean)]
    cut = ball.slice_plane([-(R - LID) * normal[0], 0.0, -(R - LID) * normal[2]], normal)
    cut.export(tmp_path / "open.ply")
    shape = scanned(tmp_path, "open.ply", mouth=False, units="mm")
    assert shape.mouth is not None
    assert shape.mouth.lean_deg == pytest.approx((20.0, 0.0), abs=0.3)
    data = {"name": "scan", "scan": {"file": "open.ply", "units": "mm"}}
    again = build(parse_measures({**data, "mouth": shape.mouth.model_dump()}, "test"), tmp_path)
    assert again.volume_cm3 == pytest.approx(shape.volume_cm3, rel=0.01)


def test_closed_scan_with_a_flat_top_is_opened_there(tmp_path: Path) -> None:
    """A cylinder's proposal is all of its top; 0.2 % of its height is cut off."""
    trimesh.creation.cylinder(radius=40.0, height=100.0, sections=256).export(tmp_path / "c.stl")
    shape = scanned(tmp_path, "c.stl", mouth=False, units="mm")
    assert shape.volume_cm3 == pytest.approx(math.pi * 40**2 * 100 / 1000, rel=0.005)
    assert any("An opening is proposed at the top" in note for note in shape.notes)


def test_file_drawn_in_other_units_is_refused(tmp_path: Path) -> None:
    """glTF's unit is the metre; nevertheless many programs write millimetres."""
    trimesh.creation.icosphere(radius=R).export(tmp_path / "ball.glb")
    with pytest.raises(InputError, match=r"makes the form 1.4e\+05 mm long.*write known_mm"):
        scanned(tmp_path, "ball.glb")


def test_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none.stl: there is no such file beside"):
        scanned(tmp_path, "none.stl", known_mm=100.0)
