"""Draws the sample castings' meshes: run it to write them again, here beside itself.

Every form is the casting's outer surface in mm, open where the resin is poured, z towards the
opening. All invented.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

Array = NDArray[np.float64]
HERE = Path(__file__).parent


def revolve(radius_mm: Array, height_mm: Array, around: int) -> trimesh.Trimesh:
    """Turn an outline about z. It starts on the axis at the bottom and ends at the open rim."""
    angle = np.linspace(0.0, 2 * np.pi, around, endpoint=False)
    rings = [
        np.column_stack([r * np.cos(angle), r * np.sin(angle), np.full(around, z)])
        for r, z in zip(radius_mm[1:], height_mm[1:], strict=True)
    ]
    points = np.concatenate([[[0.0, 0.0, height_mm[0]]], *rings])
    here = np.arange(around)
    beside = (here + 1) % around
    faces = [np.column_stack([np.zeros(around, dtype=int), 1 + beside, 1 + here])]
    for ring in range(len(rings) - 1):
        low, high = 1 + ring * around, 1 + (ring + 1) * around
        faces.append(np.column_stack([low + here, low + beside, high + beside]))
        faces.append(np.column_stack([low + here, high + beside, high + here]))
    return trimesh.Trimesh(points, np.concatenate(faces), process=False)


def resample(outline_mm: Array, pitch_mm: float) -> tuple[Array, Array]:
    """Points along a polyline about `pitch_mm` apart: radius and height."""
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(outline_mm, axis=0), axis=1))])
    at = np.linspace(0, length[-1], round(length[-1] / pitch_mm) + 1)
    return np.interp(at, length, outline_mm[:, 0]), np.interp(at, length, outline_mm[:, 1])


def rounded(outline_mm: list[tuple[float, float]], pitch_mm: float, round_mm: float) -> Array:
    """A polyline with its corners eased: a running mean over about `round_mm`, ends kept."""
    r, z = resample(np.array(outline_mm), 0.5)
    width = max(1, round(round_mm / 0.5)) | 1
    pad = width // 2
    window = np.ones(width) / width
    eased = []
    for line in (r, z):
        longer = np.concatenate(
            [2 * line[0] - line[pad:0:-1], line, 2 * line[-1] - line[-2 : -2 - pad : -1]]
        )
        eased.append(np.convolve(longer, window, mode="valid"))
    smooth = np.column_stack(eased)
    smooth[0, 0] = 0.0
    return np.column_stack(resample(smooth, pitch_mm))


def lantern_globe() -> trimesh.Trimesh:
    """A globe of 140 mm with a neck of 70 mm."""
    polar = np.radians(np.linspace(180.0, 30.0, 47))
    r, z = 70 * np.sin(polar), 70 * np.cos(polar)
    r[0] = 0.0
    return revolve(r, z, 80)


def lighthouse() -> trimesh.Trimesh:
    """A tower of 190 mm with its gallery and lantern, standing on its head: the foot is open."""
    outline = [(0, -95), (14, -92), (21, -80), (21, -62), (33, -58), (33, -50), (25, -45), (42, 95)]
    eased = rounded([(float(r), float(z)) for r, z in outline], 4.0, 9.0)
    return revolve(eased[:, 0], eased[:, 1], 52)


def sea_rock() -> trimesh.Trimesh:
    """The rock the tower stands on: lumpy, no body of revolution, open where the tower goes."""
    ball = trimesh.creation.icosphere(subdivisions=5, radius=1.0)
    n = np.asarray(ball.vertices)
    lumps = [
        ((0.8, 0.3, -0.5), 0.28, 5.0),
        ((-0.7, 0.6, -0.2), 0.22, 7.0),
        ((0.1, -0.95, -0.1), 0.30, 6.0),
        ((-0.5, -0.4, -0.75), 0.18, 9.0),
        ((0.4, 0.8, 0.3), -0.12, 8.0),
    ]
    radius = np.ones(len(n))
    for direction, size, sharpness in lumps:
        d = np.array(direction) / np.linalg.norm(direction)
        radius += size * np.exp(sharpness * (n @ d - 1.0))
    points = n * radius[:, None] * np.array([62.0, 56.0, 46.0])
    whole = trimesh.Trimesh(points, ball.faces, process=False)
    cut = whole.slice_plane([0.0, 0.0, 34.0], [0.0, 0.0, -1.0])
    cut.merge_vertices()
    cut.update_faces(cut.nondegenerate_faces(height=1e-3))
    cut.remove_unreferenced_vertices()
    return cut


def main() -> None:
    lantern_globe().export(HERE / "lantern-globe.stl")
    lighthouse().export(HERE / "lighthouse.stl")
    sea_rock().export(HERE / "sea-rock.ply")


if __name__ == "__main__":
    main()
