"""Silhouettes rendered from known meshes under a known camera."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from evenwall.errors import InputError
from evenwall.geometry.shapes.build import Shape
from tests.support.photographed import TEN, lofted, rock, shot, skin_of, turned


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
    """The ovals, distances and lens heights differ from those with which the correction was
    developed."""
    mesh = turned(name, oval)
    tall = float(np.ptp(mesh.vertices[:, 2]))
    shape = lofted(shot(mesh, views, tmp_path, far=far, lens=lens), tall, tmp_path)
    assert shape.volume_cm3 == pytest.approx(abs(mesh.volume) / 1000.0, rel=0.03)
    assert shape.area_cm2 == pytest.approx(skin_of(mesh), rel=0.03)


def sections_apart(shape: Shape, mesh: trimesh.Trimesh) -> float:
    """Mean distance of the skins, mm, once one is laid over the other sideways."""
    seen = trimesh.sample.sample_surface(shape.mesh(), 8000, seed=1)[0]
    true = trimesh.sample.sample_surface(mesh, 40_000, seed=2)[0]
    true = true[true[:, 2] < mesh.bounds[1, 2] - 1.0]  # without the lid
    tree = cKDTree(true)
    for _ in range(8):
        shift = (seen - true[tree.query(seen)[1]]).mean(axis=0)
        seen = seen - 2.0 * shift * [1.0, 1.0, 0.0]
    return float(tree.query(seen)[0].mean())


def test_views_of_a_lumpy_form_share_one_axis(tmp_path: Path) -> None:
    """The middles of a lumpy form's outlines are not images of one axis.

    Measured from the middles, the skins are 1.5 mm apart; the points that are compared are
    0.5 mm apart themselves.
    """
    mesh = rock((((0.2, 0.9, -0.3), 0.15), ((-0.8, -0.4, -0.4), 0.17), ((0.7, -0.6, 0.1), 0.13)), 4)
    tall = float(np.ptp(mesh.vertices[:, 2]))
    shape = lofted(shot(mesh, 4, tmp_path), tall, tmp_path)
    assert sections_apart(shape, mesh) < 1.2


def test_perspective_is_corrected_or_told(tmp_path: Path) -> None:
    """From nearby a ball looks larger by D / sqrt(D^2 - R^2); without a distance this is
    reported."""
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
        ({"from_deg": 10.0}, "must surround the form"),
        ({"distance_mm": 500.0}, "step back and zoom in"),
        ({"file": ""}, "needs an outline or a file"),
        ({"known_mm": 100.0}, "the two ends of known_mm"),
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
