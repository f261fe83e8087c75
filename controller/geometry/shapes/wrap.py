"""A new skin round the space that a mesh encloses, also if its triangles overlap. Numerics only,
mm."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from evenwall.errors import InputError
from evenwall.geometry.shapes.bodies import skin_of
from evenwall.geometry.shapes.sections import Array, Index

MOST_CELLS = 12_000_000
SAMPLES_A_CELL = 3.0  # samples of the old skin along a cell's edge
SEALED = 0.75  # in cells: the space nearer to the skin counts as solid, so that cracks are sealed
MARGIN = 3


def wrap(points_mm: Array, faces: Index, pitch_mm: float) -> tuple[Array, Index]:
    """Return points and triangles of the outermost skin, drawn again on cells of `pitch_mm`,
    outward.

    Every cell's distance to the old skin is taken from samples on it. The cells that can be reached
    from outside without passing within SEALED cells of the skin are outside. So cracks and holes
    narrower than 1.5 cells are closed, and bodies that overlap become one. Raises InputError if a
    skin this fine would not fit into memory, or if the mesh encloses nothing.
    """
    low = points_mm.min(axis=0) - MARGIN * pitch_mm
    counts = np.ceil((np.ptp(points_mm, axis=0)) / pitch_mm).astype(int) + 2 * MARGIN + 1
    if int(np.prod(counts)) > MOST_CELLS:
        fits = float((np.prod(np.ptp(points_mm, axis=0) + 1.0) / MOST_CELLS) ** (1 / 3))
        raise InputError(
            "scan.wrap_mm",
            f"{pitch_mm:g}",
            f"needs {np.prod(counts) / 1e6:.0f} million cells, at most {MOST_CELLS / 1e6:.0f}",
            unit="mm",
            hint=f"{1.1 * fits:.1f} mm does",
        )
    samples = _samples(points_mm, faces, pitch_mm / SAMPLES_A_CELL)
    distance = _distances(samples, low, counts, pitch_mm)
    free = distance > SEALED * pitch_mm
    label, _ = ndimage.label(free)
    outside = label == label[0, 0, 0]
    # Cells close to the skin belong to the side of the nearest free cell.
    nearest = ndimage.distance_transform_edt(~free, return_distances=False, return_indices=True)
    out = outside[tuple(nearest)]
    if out.all():
        raise InputError(
            "scan",
            "open",
            "encloses nothing: its holes are too wide to be closed",
            hint="scan it again with its top and bottom, or take larger cells with wrap_mm",
        )
    return skin_of(_signed(distance, out, pitch_mm), low, pitch_mm)


def _signed(distance: Array, out: NDArray[np.bool_], pitch_mm: float) -> Array:
    """Return the distance, negative inside. Cells at the skin were counted as inside or outside as
    a whole; there the values of their neighbours across the skin give its position."""
    signed = np.where(out, distance, -distance)
    # Smoothing over one cell removes the steps of that choice and does not move a flat skin.
    return np.asarray(ndimage.gaussian_filter(np.clip(signed, -3 * pitch_mm, 3 * pitch_mm), 0.7))


def _samples(points: Array, faces: Index, spacing: float) -> Array:
    """Return points on the triangles, no farther apart than about `spacing`."""
    corners = points[faces]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    parts = np.maximum(1, np.ceil(longest / spacing)).astype(int)
    found = [points]
    for count in np.unique(parts):
        some = corners[parts == count]
        i, j = np.meshgrid(np.arange(count + 1), np.arange(count + 1), indexing="ij")
        keep = i + j <= count
        u, v = i[keep] / count, j[keep] / count
        weight = np.column_stack([1.0 - u - v, u, v])
        found.append(np.einsum("wk,tkc->twc", weight, some).reshape(-1, 3))
    return np.concatenate(found)


def _distances(samples: Array, low: Array, counts: NDArray[np.int64], pitch: float) -> Array:
    tree = cKDTree(samples)
    axes = [low[k] + pitch * np.arange(counts[k]) for k in range(3)]
    plane = np.stack(np.meshgrid(axes[1], axes[2], indexing="ij"), axis=-1).reshape(-1, 2)
    found = np.empty(counts)
    for k, x in enumerate(axes[0]):
        at = np.column_stack([np.full(len(plane), x), plane])
        near, _ = tree.query(at, distance_upper_bound=5.0 * pitch)
        found[k] = np.minimum(near, 5.0 * pitch).reshape(counts[1:])
    return found
