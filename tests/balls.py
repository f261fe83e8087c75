"""A ball with its cap cut off, as a film mesh: what tests and benches of the film pour into."""

from __future__ import annotations

import numpy as np
import trimesh

from controller.film import FilmMesh
from controller.filmmesh import remesh


def open_ball(radius_m: float, cut_m: float, edge_mm: float, subdivisions: int) -> FilmMesh:
    """Of `radius_m` about the origin, without what lies above z = `cut_m`, cells `edge_mm` apart;
    subdivisions: of the icosphere it is drawn as."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius_m)
    part = ball.slice_plane([0.0, 0.0, cut_m], [0.0, 0.0, -1.0])
    part.merge_vertices()
    points, triangles = remesh(np.asarray(part.vertices), np.asarray(part.faces), edge_mm * 1e-3)
    return FilmMesh.build(points, triangles[:, ::-1])
