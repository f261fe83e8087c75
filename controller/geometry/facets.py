"""Coarseness of the round walls of a mesh, and its narrowest place."""

from __future__ import annotations

import numpy as np
import trimesh
from scipy.spatial import cKDTree

from evenwall.geometry.surface import Array, Index

SAMPLES_FOR_NECK = 4000
ROUND_DEG = (0.5, 30.0)  # angles between triangles of a wall that is meant to be round
COARSE_FACETS_MM = 6.0  # a film's cells are 5 mm wide
OPPOSITE_DEG = 150.0


def facet_mm(points: Array, triangles: Index) -> float:
    """Return the width of the triangles (m, 3) of points (n, 3), mm, across the edges at which a
    round wall curves: the median weighted by the edges' length; 0 for flat walls.

    A film computed on cells narrower than this has edges where the mould is round. Three coats on
    the sample globe (4 mm) left 0.95 of the mean wall at the thinnest place on cells of 5 mm, 0.91
    on 3.5 mm and 0.80 on 2.7 mm. On a globe of 1 mm triangles they left 0.91, 0.90 and, on 3.0 mm,
    0.89.
    """
    mesh = trimesh.Trimesh(points, triangles, process=False)
    bend_deg = np.degrees(mesh.face_adjacency_angles)
    bent = (bend_deg > ROUND_DEG[0]) & (bend_deg < ROUND_DEG[1])
    if not bent.any():
        return 0.0
    ends = points[mesh.face_adjacency_edges[bent]]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    width = mesh.area_faces[mesh.face_adjacency[bent]].sum(axis=1) / length
    order = np.argsort(width)
    share = np.cumsum(length[order]) / length.sum()
    return float(width[order][np.searchsorted(share, 0.5)])


def narrowest(points: Array, triangles: Index) -> tuple[float, Array]:
    """Return radius and middle of the smallest inside ball that touches two walls facing each
    other.

    Shrinking balls (Ma, Bae and Choi 2012, The Visual Computer 28:7): from each sample point p
    with inward normal n, shrink the tangent ball until no other sample lies in it. Only balls
    between walls that face each other are passages: a ball in a corner touches walls that meet.
    """
    mesh = trimesh.Trimesh(points, triangles, process=False)
    samples, faces = trimesh.sample.sample_surface_even(mesh, SAMPLES_FOR_NECK, seed=1)
    samples = np.asarray(samples)
    inward = -np.asarray(mesh.face_normals)[faces]
    tree = cKDTree(samples)
    radius = np.full(len(samples), 0.5 * float(np.linalg.norm(np.ptp(points, axis=0))))
    touch = np.arange(len(samples))
    for _ in range(30):
        middle = samples + inward * radius[:, None]
        distance, nearest = tree.query(middle)
        step = samples - samples[nearest]
        # The ball through p tangent to n that also passes through q: |p-q|^2 / (2 n.(q-p)).
        slope = -2.0 * np.einsum("ij,ij->i", inward, step)
        smaller = np.einsum("ij,ij->i", step, step) / np.where(slope > 0, slope, np.inf)
        shrink = (distance < radius * (1 - 1e-3)) & (slope > 0) & (smaller < radius)
        if not shrink.any():
            break
        radius = np.where(shrink, smaller, radius)
        touch = np.where(shrink, nearest, touch)
    middle = samples + inward * radius[:, None]
    to_other = (samples[touch] - middle) / radius[:, None]
    # Samples are a few mm apart, so the walls' own directions must agree with the contacts'.
    far_side = np.einsum("ij,ij->i", to_other, -inward)
    against = np.einsum("ij,ij->i", inward[touch], inward)
    facing = np.maximum(far_side, against) < np.cos(np.radians(OPPOSITE_DEG))
    if not facing.any():
        return float(radius.max()), middle[int(radius.argmax())]
    narrow = np.where(facing, radius, np.inf)
    # A single sample may be on a bump, so the second percentile of the passages counts as the neck.
    limit = float(np.quantile(radius[facing], 0.02))
    at = int(np.abs(np.where(facing, narrow, np.inf) - limit).argmin())
    return limit, middle[at]
