"""Ten invented forms as masters on a table, and the shapes made from a few photographs of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import trimesh

from evenwall.geometry.shapes.build import build
from evenwall.geometry.shapes.measures import parse_measures
from evenwall.geometry.shapes.sections import Sections, turn
from evenwall.geometry.shapes.shape import Shape
from tests.geometry.camera import render
from tests.geometry.forms import FORMS

FORM = {form.name: form for form in FORMS}


def turned(name: str, oval: float = 1.0, lean_mm: float = 0.0) -> trimesh.Trimesh:
    """Return one of the forms closed by a flat lid at its rim, as the master stands on the
    table."""
    form = FORM[name]
    z = np.linspace(0.0, form.height_mm, 90)
    r = np.array([form.radius(float(h)) for h in z])
    middle = np.column_stack([lean_mm * z / form.height_mm, 0.0 * z])
    bottom = "round" if form.closed_end == "round" else "flat"
    return trimesh.Trimesh(*turn(Sections(z, r, oval * r, middle, bottom, "flat"), 2.0))


Lump = tuple[tuple[float, float, float], float]  # where to, and how high
ROCK: tuple[Lump, ...] = (
    ((0.8, 0.3, -0.5), 0.16),
    ((-0.7, 0.6, -0.2), 0.14),
    ((0.1, -0.9, 0), 0.15),
)


def rock(lumps: tuple[Lump, ...] = ROCK, subdivisions: int = 5) -> trimesh.Trimesh:
    """Not a body of revolution: an ellipsoid with lumps, cut flat at the top."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions)
    n = np.asarray(ball.vertices)
    radius = np.ones(len(n))
    for direction, size in lumps:
        d = np.array(direction) / np.linalg.norm(direction)
        radius += size * np.exp(5.0 * (n @ d - 1.0))
    mesh = trimesh.Trimesh(n * radius[:, None] * [62.0, 55.0, 60.0], ball.faces)
    cut = mesh.slice_plane([0, 0, 40.0], [0, 0, -1.0], cap=False)
    return lidded(cut)


def lidded(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """The same, closed by a flat lid and standing at height 0."""
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


# Each with the number of photographs that a maker would take of it.
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
    """Render views from all sides, 7 times the height away, the lens a little above the middle."""
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
    """Return the form that is made from these photographs."""
    data: dict[str, object] = {"name": "form", "photos": {"height_mm": tall, "photo": photos}}
    return build(parse_measures(data, "test"), folder)


def skin_of(mesh: trimesh.Trimesh) -> float:
    """Skin without the lid, cm2."""
    top = mesh.triangles[:, :, 2].min(axis=1) > mesh.bounds[1, 2] - 1e-6
    return float(mesh.area_faces[~top].sum()) / 100.0
