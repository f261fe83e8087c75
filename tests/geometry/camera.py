"""A pinhole camera that renders a mesh's silhouette, independent of the code under test."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import trimesh
from PIL import Image, ImageDraw, ImageFilter


def render(
    mesh: trimesh.Trimesh,
    path: Path,
    from_deg: float,
    distance_mm: float,
    lens_mm: float,
    seed: int = 0,
    tall_px: int = 1000,
) -> None:
    """Render with a level camera at `distance_mm` from the z axis, the form dark against a light
    wall.

    Every triangle is projected through the pinhole (x, y over depth) and filled; edges are softened
    as a lens does, the wall is uneven and has noise.
    """
    turn = math.radians(from_deg)
    eye = np.array([distance_mm * math.sin(turn), -distance_mm * math.cos(turn), lens_mm])
    forward = np.array([-math.sin(turn), math.cos(turn), 0.0])
    right = np.array([math.cos(turn), math.sin(turn), 0.0])
    rel = np.asarray(mesh.vertices) - eye
    depth = rel @ forward
    scale = (
        tall_px * 0.6 / float(np.ptp(mesh.vertices, axis=0).max())
    )  # pixels for a mm at the axis
    x = tall_px / 2 + rel @ right * distance_mm / depth * scale
    middle = 0.5 * float(mesh.vertices[:, 2].min() + mesh.vertices[:, 2].max())
    y = tall_px / 2 - (rel[:, 2] * distance_mm / depth + lens_mm - middle) * scale
    size = (tall_px, tall_px)
    form = Image.new("L", size, 0)
    draw = ImageDraw.Draw(form)
    for a, b, c in mesh.faces:
        draw.polygon([(x[a], y[a]), (x[b], y[b]), (x[c], y[c])], fill=255)
    cover = np.asarray(form.filter(ImageFilter.GaussianBlur(0.8)), dtype=float)[:, :, None] / 255.0
    rng = np.random.default_rng(seed)
    slope = np.linspace(0.0, 25.0, tall_px)[None, :, None]
    wall = np.array([214.0, 208.0, 196.0]) - slope
    resin = np.array([120.0, 84.0, 52.0]) + 10.0 * np.sin(np.arange(tall_px) / 40.0)[:, None, None]
    mixed = cover * resin + (1.0 - cover) * wall + rng.normal(0.0, 4.0, (*size, 3))
    Image.fromarray(np.clip(mixed, 0, 255).astype(np.uint8)).save(path, quality=92)
