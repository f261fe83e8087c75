"""The computed wall at the places where a person measures it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

# Shares of the casting's height, from the closed end to the opening.
PLACES = {
    "bottom": (0.0, 0.12),
    "foot": (0.0, 0.12),
    "side": (0.4, 0.6),
    "shoulder": (0.7, 0.9),
}
FEWEST = 5  # vertices needed for a figure at a place


def spot_spans(mesh: dict[str, Any]) -> dict[str, tuple[float, float, float]] | None:
    """Thinnest, mean and thickest wall at each of `PLACES`, in mm.

    mesh: vertices_mm (n, 3), faces (m, 3) and wall_mm (n,), as `wall_mesh` gives them. Thinnest
    and thickest are the 5 % and 95 % quantiles of the vertices at the place. Returns None for a
    mesh without an opening.
    """
    if not mesh.get("vertices_mm"):
        return None
    points = np.asarray(mesh["vertices_mm"], dtype=float)
    wall_mm = np.asarray(mesh["wall_mm"], dtype=float)
    rim = _rim(np.asarray(mesh["faces"]))
    if not len(rim):
        return None
    towards = points[rim].mean(axis=0) - points.mean(axis=0)
    height = points @ (towards / np.linalg.norm(towards))
    share = (height - height.min()) / np.ptp(height)
    found = {}
    for place, (low, high) in PLACES.items():
        here = wall_mm[(share >= low) & (share <= high)]
        if len(here) >= FEWEST:
            thin, thick = np.quantile(here, (0.05, 0.95))
            found[place] = (float(thin), float(here.mean()), float(thick))
    return found


def _rim(faces: np.ndarray[Any, Any]) -> list[int]:
    """Return the vertices on edges that belong to one triangle only."""
    edges = Counter(
        (min(a, b), max(a, b))
        for face in faces.tolist()
        for a, b in zip(face, (*face[1:], face[0]), strict=True)
    )
    return sorted({vertex for edge, count in edges.items() if count == 1 for vertex in edge})
