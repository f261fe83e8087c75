"""Test resin and test mould of the film: a ball with its cap cut off."""

from __future__ import annotations

import numpy as np
import trimesh

from evenwall.geometry.film_mesh import remesh
from evenwall.numerics.film import FilmMesh, Fluid

GEL_S = 720.0
SET_S = 0.99 * GEL_S  # the last that is followed of a viscosity without bound


def resin(end_s: float = SET_S, entries: int = 60) -> Fluid:
    """0.6 Pa s at the pour, gelling at 12 minutes; the exponent is common for resins."""
    time_s = np.linspace(0.0, end_s, entries)
    return Fluid(1080.0, 0.035, time_s, 0.6 * (1.0 - time_s / GEL_S) ** -2.0)


def open_ball(radius_m: float, cut_m: float, edge_mm: float, subdivisions: int) -> FilmMesh:
    """Ball of `radius_m` about the origin, without what lies above z = `cut_m`, cells `edge_mm`
    apart; subdivisions: of the icosphere it is drawn as."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius_m)
    part = ball.slice_plane([0.0, 0.0, cut_m], [0.0, 0.0, -1.0])
    part.merge_vertices()
    points, triangles = remesh(np.asarray(part.vertices), np.asarray(part.faces), edge_mm * 1e-3)
    return FilmMesh.build(points, triangles[:, ::-1])
