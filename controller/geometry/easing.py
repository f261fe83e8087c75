"""The same mould with its sharp edges eased, to see what they cost."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy import sparse

from evenwall.geometry.film_mesh import remesh
from evenwall.geometry.mould import Cavity

EDGE_MM = 3.0
MOVED = 0.5  # share of the way to the middle of its neighbours that a point moves in one round


def eased(cavity: Cavity, radius_mm: float) -> Cavity:
    """Return the cavity with right-angled edges eased to about this radius; the rim stays.

    The surface is smoothed by averaging neighbours (Laplacian smoothing). One round spreads a point
    by a variance of MOVED EDGE^2/2 in each direction, as follows from six neighbours at one
    distance. Along the surface that is a Gaussian of width s, which leaves a right-angled edge with
    the least radius s sqrt(pi)/2 (derived here). radius_mm: 2 to 20. Raises ValueError outside.
    """
    if not 2.0 <= radius_mm <= 20.0:
        raise ValueError(f"radius_mm is {radius_mm}: needs 2 to 20")
    points, faces = remesh(cavity.vertices_mm, cavity.triangles, EDGE_MM)
    width_mm = 2.0 * radius_mm / math.sqrt(math.pi)
    rounds = max(1, round(width_mm**2 / (MOVED * EDGE_MM**2 / 2.0)))
    sides = np.concatenate([faces[:, [k, (k + 1) % 3]] for k in range(3)])
    count = len(points)
    beside = sparse.coo_array((np.ones(len(sides)), sides.T), shape=(count, count)).tocsr()
    one_way = beside - beside.T  # a side that one triangle alone has is a rim's
    still = np.asarray(abs(one_way).sum(axis=1)).ravel() > 0.0
    links = ((beside + beside.T) > 0).astype(np.float64)
    middle = sparse.diags_array(1.0 / links.sum(axis=1)) @ links
    for _ in range(rounds):
        moved = points + MOVED * (middle @ points - points)
        points = np.where(still[:, None], points, moved)
    return replace(cavity, vertices_mm=points, triangles=faces)
