"""Silhouettes rendered from known meshes under a known camera."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh

from evenwall.errors import InputError
from evenwall.geometry.shapes.build import Shape, build
from evenwall.geometry.shapes.measures import parse_measures
from evenwall.geometry.shapes.sections import Sections, turn
from tests.geometry.camera import render
from tests.geometry.forms import FORMS

FORM = {form.name: form for form in FORMS}


def turned(name: str, oval: float = 1.0, lean_mm: float = 0.0) -> trimesh.Trimesh:
    """A form of ours closed by a flat lid at its rim, as the master stands on the table."""
    form = FORM[name]
    z = np.linspace(0.0, form.height_mm, 90)
    r = np.array([form.radius(float(h)) for h in z])
    middle = np.column_stack([lean_mm * z / form.height_mm, 0.0 * z])
    bottom = "round" if form.closed_end == "round" else "flat"
    return trimesh.Trimesh(*turn(Sections(z, r, oval * r, middle, bottom, "flat"), 2.0))


def rock() -> trimesh.Trimesh:
    """No body of revolution: an ellipsoid with lumps, cut flat at the top."""
    ball = trimesh.creation.icosphere(subdivisions=5)
    n = np.asarray(ball.vertices)
    radius = np.ones(len(n))
    for direction, size in (
        ((0.8, 0.3, -0.5), 0.16),
        ((-0.7, 0.6, -0.2), 0.14),
        ((0.1, -0.9, 0), 0.15),
    ):
        d = np.array(direction) / np.linalg.norm(direction)
        radius += size * np.exp(5.0 * (n @ d - 1.0))
    mesh = trimesh.Trimesh(n * radius[:, None] * [62.0, 55.0, 60.0], ball.faces)
    cut = mesh.slice_plane([0, 0, 40.0], [0, 0, -1.0], cap=False)
    return lidded(cut)


def lidded(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    mesh.merge_vertices()
    mesh.apply_translation([0, 0, -mesh.bounds[0, 2]])
    rim = mesh.vertices[:, 2] > mesh.bounds[1, 2] - 1e-6
    edges = mesh.edges_sorted[trimesh.grouping.group_rows(mesh.edges_sorted, require_count=1)]
    middle = len(mesh.vertices)
    points = np.vstack([mesh.vertices, mesh.vertices[rim].mean(axis=0)])
    lid = np.column_stack([edges, np.full(len(edges), middle)])
    made = trimesh.Trimesh(points, np.vstack([mesh.faces, lid]))
    made.fix_normals()
    return made


TEN: dict[str, tuple[Callable[[], trimesh.Trimesh], int]] = {
    "globe": (lambda: turned("globe"), 2),
    "tumbler": (lambda: turned("tumbler"), 2),
    "bell": (lambda: turned("bell"), 2),
    "vase, oval": (lambda: turned("vase", oval=0.8), 2),
    "pear, leaning": (lambda: turned("pear", lean_mm=15.0), 2),
    "tower": (lambda: turned("tower"), 2),
    "hourglass": (lambda: turned("hourglass"), 3),
    "urn, oval": (lambda: turned("urn", oval=1.2), 3),
    "half egg": (lambda: turned("half egg"), 2),
    "rock": (rock, 4),
}


def shot(
    mesh: trimesh.Trimesh, views: int, folder: Path, **camera: float
) -> list[dict[str, object]]:
    """Render from so many sides, 7 times the height away, the lens a little above the middle."""
    tall = float(np.ptp(mesh.vertices[:, 2]))
    far, lens = camera.get("far", 7.0) * tall, camera.get("lens", 0.6) * tall
    photos: list[dict[str, object]] = []
    for k in range(views):
        angle = 180.0 / views * k
        render(mesh, folder / f"{k}.jpg", angle, far, lens, seed=k)
        photos.append(
            {"file": f"{k}.jpg", "from_deg": angle, "distance_mm": far, "lens_height_mm": lens}
        )
    return photos


def lofted(photos: list[dict[str, object]], tall: float, folder: Path) -> Shape:
    data: dict[str, object] = {"name": "form", "photos": {"height_mm": tall, "photo": photos}}
    return build(parse_measures(data, "test"), folder)


def skin_of(mesh: trimesh.Trimesh) -> float:
    """Skin without the lid, cm2."""
    top = mesh.triangles[:, :, 2].min(axis=1) > mesh.bounds[1, 2] - 1e-6
    return float(mesh.area_faces[~top].sum()) / 100.0


@pytest.mark.parametrize("name", TEN)
def test_ten_forms_are_within_3_percent(name: str, tmp_path: Path) -> None:
    make, views = TEN[name]
    mesh = make()
    tall = float(np.ptp(mesh.vertices[:, 2]))
    shape = lofted(shot(mesh, views, tmp_path), tall, tmp_path)
    assert shape.volume_cm3 == pytest.approx(abs(mesh.volume) / 1000.0, rel=0.03)
    assert shape.area_cm2 == pytest.approx(skin_of(mesh), rel=0.03)
    assert abs(shape.volume_cm3 / (abs(mesh.volume) / 1000.0) - 1.0) <= shape.known.volume


@pytest.mark.parametrize(
    ("name", "oval", "views", "far", "lens"),
    [
        ("bowl", 1.0, 2, 9.0, 0.4),
        ("tower", 0.75, 2, 5.0, 0.8),
        ("hourglass", 1.15, 3, 11.0, 0.3),
        ("vase", 1.0, 5, 6.0, 0.9),
        ("bell", 0.9, 2, 5.0, 0.2),
    ],
)
def test_forms_and_cameras_that_nothing_was_set_on(
    name: str, oval: float, views: int, far: float, lens: float, tmp_path: Path
) -> None:
    """Other ovals, distances and lens heights than those the correction was worked out with."""
    mesh = turned(name, oval)
    tall = float(np.ptp(mesh.vertices[:, 2]))
    shape = lofted(shot(mesh, views, tmp_path, far=far, lens=lens), tall, tmp_path)
    assert shape.volume_cm3 == pytest.approx(abs(mesh.volume) / 1000.0, rel=0.03)
    assert shape.area_cm2 == pytest.approx(skin_of(mesh), rel=0.03)


def test_perspective_is_corrected_or_told(tmp_path: Path) -> None:
    """From near a ball looks larger by D / sqrt(D^2 - R^2); without a distance that is told."""
    mesh = turned("globe")
    tall = float(np.ptp(mesh.vertices[:, 2]))
    photos = shot(mesh, 2, tmp_path, far=4.0, lens=0.5)
    near = lofted(photos, tall, tmp_path)
    truth = abs(mesh.volume) / 1000.0
    assert near.volume_cm3 == pytest.approx(truth, rel=0.03)
    without = [{k: v for k, v in p.items() if k != "distance_mm"} for p in photos]
    untold = lofted(without, tall, tmp_path)
    assert abs(untold.volume_cm3 / truth - 1.0) <= untold.known.volume
    assert untold.known.volume > near.known.volume
    assert any("write distance_mm" in note for note in untold.notes)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"from_deg": 10.0}, "must stand round the form"),
        ({"distance_mm": 500.0}, "step back and zoom in"),
        ({"file": ""}, "needs an outline or a file"),
        ({"known_mm": 100.0}, "says from where to where"),
    ],
)
def test_refusals_say_what_to_do(change: dict[str, object], words: str, tmp_path: Path) -> None:
    outline = [(100 + 80 * math.cos(t), 200 + 150 * math.sin(t)) for t in np.linspace(0, 6.2, 40)]
    photos: list[dict[str, object]] = [
        {"outline_px": outline, "from_deg": 0.0},
        {"outline_px": outline, "from_deg": 90.0},
    ]
    if "file" in change:
        del photos[1]["outline_px"]
    photos[1] |= change
    with pytest.raises(InputError, match=words):
        lofted(photos, 150.0, tmp_path)


def test_form_that_does_not_stand_out_is_refused(tmp_path: Path) -> None:
    from PIL import Image

    Image.new("RGB", (400, 400), (200, 200, 200)).save(tmp_path / "grey.png")
    photos: list[dict[str, object]] = [
        {"file": "grey.png", "from_deg": 0.0},
        {"file": "grey.png", "from_deg": 90.0},
    ]
    with pytest.raises(InputError, match="even, different background"):
        lofted(photos, 150.0, tmp_path)
