"""Simple bodies and unions of them, as one implicit function that is zero on the skin.

Numerics only; millimetres. Inside is negative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from skimage.measure import marching_cubes

Array = NDArray[np.float64]
Index = NDArray[np.int64]

MARGIN = 2.5  # empty cells round the body


class Body(Protocol):
    """A body standing on its own bottom at z = 0, its axis along z."""

    def inside(self, points_mm: Array) -> Array:
        """Return approximate distances to the skin (n,), negative inside."""
        ...

    def reach(self) -> tuple[float, float]:
        """Return the radius and height of a cylinder about the axis that contains the body."""
        ...


@dataclass(frozen=True)
class Egg:
    """Two half ellipsoids that meet at the widest height. A ball has equal half axes."""

    height_mm: float
    diameter_mm: float
    widest_mm: float

    def inside(self, points_mm: Array) -> Array:
        x, y, z = points_mm.T
        up = z - self.widest_mm
        half = np.where(up > 0, self.height_mm - self.widest_mm, self.widest_mm)
        radius = 0.5 * self.diameter_mm
        g = (x**2 + y**2) / radius**2 + (up / half) ** 2
        # To first order the distance is g over its gradient (Taubin 1991, IEEE PAMI 13:1115).
        slope = 2.0 * np.sqrt((x**2 + y**2) / radius**4 + (up / half**2) ** 2)
        return np.asarray((g - 1.0) / np.maximum(slope, 1e-6))

    def reach(self) -> tuple[float, float]:
        return 0.5 * self.diameter_mm, self.height_mm


@dataclass(frozen=True)
class Frustum:
    """A cylinder, a cup or a cone: straight from its bottom to its top."""

    height_mm: float
    bottom_mm: float  # diameter
    top_mm: float

    def inside(self, points_mm: Array) -> Array:
        x, y, z = points_mm.T
        slope = 0.5 * (self.top_mm - self.bottom_mm) / self.height_mm
        radius = 0.5 * self.bottom_mm + slope * z
        side = (np.hypot(x, y) - radius) / np.hypot(1.0, slope)
        return np.asarray(np.maximum(np.maximum(side, -z), z - self.height_mm))

    def reach(self) -> tuple[float, float]:
        return 0.5 * max(self.bottom_mm, self.top_mm), self.height_mm


@dataclass(frozen=True)
class Box:
    """A box with rounded edges, along x, y and z."""

    along_mm: float
    across_mm: float
    height_mm: float
    edge_mm: float  # radius

    def inside(self, points_mm: Array) -> Array:
        half = 0.5 * np.array([self.along_mm, self.across_mm, self.height_mm])
        over = np.abs(points_mm - [0.0, 0.0, half[2]]) - (half - self.edge_mm)
        outside = np.linalg.norm(np.maximum(over, 0.0), axis=1)
        return np.asarray(outside + np.minimum(over.max(axis=1), 0.0) - self.edge_mm)

    def reach(self) -> tuple[float, float]:
        return 0.5 * float(np.hypot(self.along_mm, self.across_mm)), self.height_mm


@dataclass(frozen=True, eq=False)
class Placed:
    """A body whose bottom has its middle at `at_mm` (3,), with its axis along `axis` (3,)."""

    body: Body
    at_mm: Array
    axis: Array

    def inside(self, points_mm: Array) -> Array:
        return self.body.inside((points_mm - self.at_mm) @ self._frame())

    def bounds(self) -> tuple[Array, Array]:
        radius, height = self.body.reach()
        frame = self._frame()
        ends = np.array([self.at_mm, self.at_mm + frame[:, 2] * height])
        # A disc of that radius reaches r sqrt(1 - n_i^2) along axis i.
        wide = radius * np.sqrt(np.maximum(1.0 - frame[:, 2] ** 2, 0.0))
        return ends.min(axis=0) - wide, ends.max(axis=0) + wide

    def _frame(self) -> Array:
        """Return the body's x, y and z in the world, as columns."""
        up = self.axis / np.linalg.norm(self.axis)
        aside = np.array([1.0, 0.0, 0.0]) if abs(up[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
        x = aside - (aside @ up) * up
        x /= np.linalg.norm(x)
        return np.column_stack([x, np.cross(up, x), up])


def union(placed: Sequence[Placed], pitch_mm: float) -> tuple[Array, Index]:
    """Return the skin of all bodies together: points (n, 3) in mm and triangles (m, 3), outward.

    Marching cubes (Lorensen and Cline 1987; Lewiner and others 2003) over cells of `pitch_mm`. The
    skin inside another body is left out; a sharp edge loses about a third of a cell.
    """
    low = np.min([one.bounds()[0] for one in placed], axis=0) - MARGIN * pitch_mm
    high = np.max([one.bounds()[1] for one in placed], axis=0) + MARGIN * pitch_mm
    counts = np.ceil((high - low) / pitch_mm).astype(int) + 1
    axes = [low[k] + pitch_mm * np.arange(counts[k]) for k in range(3)]
    value = np.empty(counts)
    plane = np.stack(np.meshgrid(axes[1], axes[2], indexing="ij"), axis=-1).reshape(-1, 2)
    for k, x in enumerate(axes[0]):  # a plane at a time, so that memory stays small
        points = np.column_stack([np.full(len(plane), x), plane])
        value[k] = np.min([one.inside(points) for one in placed], axis=0).reshape(counts[1:])
    return skin_of(value, low, pitch_mm)


def skin_of(value: Array, low_mm: Array, pitch_mm: float) -> tuple[Array, Index]:
    """Return the zero surface of a function on a grid (nx, ny, nz): points in mm and triangles."""
    # A grid point exactly on the skin would make triangles without area.
    value = np.where(np.abs(value) < 1e-4 * pitch_mm, 1e-4 * pitch_mm, value)
    found = marching_cubes(value, 0.0, spacing=(pitch_mm,) * 3)  # type: ignore[no-untyped-call]
    points, faces = found[:2]
    points = np.asarray(points, dtype=np.float64) + low_mm
    faces = np.asarray(faces, dtype=np.int64)
    corners = points[faces]
    flux = np.einsum("ti,ti->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    return points, faces if flux > 0 else faces[:, ::-1]
