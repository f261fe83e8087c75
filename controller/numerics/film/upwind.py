"""Triangles straight behind each directed edge of a film's mesh, for its upwind scheme."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from evenwall.errors import InputError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Index = npt.NDArray[np.int64]


class _Fans:
    """The triangles round every vertex, laid flat; arrays (3 m,), one for each corner, in order.

    first: the corner's vertex; second, third: the others in the triangle's winding. begin_angle,
    angle: where the corner begins and how wide it is, after scaling. total (n,): sum of the angles
    round a vertex.
    """

    def __init__(self, n: int, tri: Ints, boundary: Ints, corner_angle: Floats) -> None:
        first = tri.ravel(order="F").astype(np.int64)
        second = tri[:, [1, 2, 0]].ravel(order="F").astype(np.int64)
        third = tri[:, [2, 0, 1]].ravel(order="F").astype(np.int64)
        order = np.argsort(first * n + second)
        self._n, self._key = n, (first * n + second)[order]
        self.first, self.second, self.third = first[order], second[order], third[order]
        angle = corner_angle.ravel(order="F")[order]
        begin, total = self._walked(boundary, angle)
        if (begin < 0).any():
            raise InputError("film mesh", "pinched", "two surfaces meet at a single vertex")
        on_boundary = np.zeros(n, dtype=bool)
        on_boundary[boundary[:, :2].ravel()] = True
        scale = np.where(on_boundary, 1.0, 2.0 * np.pi / total)
        self.begin_angle = begin * scale[self.first]
        self.angle = angle * scale[self.first]
        self.total = total * scale

    def corner_of(self, i: Index, a: Index) -> Index:
        """Return the index of the corner at i whose triangle runs i, a, ...; -1 without one."""
        at = np.minimum(np.searchsorted(self._key, i * self._n + a), len(self._key) - 1)
        return np.where(self._key[at] == i * self._n + a, at, -1)

    def _walked(self, boundary: Ints, angle: Floats) -> tuple[Floats, Floats]:
        """Walk round all vertices at once, from the boundary where there is one.

        Returns the angle at which each corner begins, -1 for a corner that was not reached, and the
        total angle of each vertex.
        """
        corner = np.searchsorted(self._key, np.arange(self._n) * self._n)
        start, after = boundary[:, 0].astype(np.int64), boundary[:, 1].astype(np.int64)
        corner[boundary[:, 0]] = self.corner_of(start, after)
        begin = corner.copy()
        begin_angle, total = np.full(len(self._key), -1.0), np.zeros(self._n)
        walking = np.arange(self._n)
        while len(walking):
            at = corner[walking]
            begin_angle[at] = total[walking]
            total[walking] += angle[at]
            corner[walking] = self.corner_of(walking, self.third[at])
            walking = walking[(corner[walking] >= 0) & (corner[walking] != begin[walking])]
        return begin_angle, total


def upwind_of(
    x: Floats, tri: Ints, edges: Ints, boundary: Ints, corner_angle: Floats
) -> tuple[Ints, Floats]:
    """Return the triangle straight behind each directed edge, and its interpolation weights.

    The triangles round a vertex are laid flat, their angles scaled to a full turn inside the mesh
    and unscaled on its boundary, so that 'straight behind' has a meaning on a curved or creased
    surface. The weights are never negative, which with a limiter makes the scheme local-extremum
    diminishing (upwind-triangle idea: Desideri and Dervieux 1988; LED: Jameson 1995; both from
    memory). A directed edge that starts on the boundary with nothing behind it uses its own slope.
    """
    fans = _Fans(len(x), tri, boundary, corner_angle)
    i = np.concatenate([edges[:, 0], edges[:, 1]]).astype(np.int64)
    j = np.concatenate([edges[:, 1], edges[:, 0]]).astype(np.int64)
    own = fans.corner_of(i, j)
    back = (np.where(own >= 0, fans.begin_angle[own], fans.total[i]) + np.pi) % (2.0 * np.pi)
    where = 8.0 * fans.first + fans.begin_angle  # by vertex, then by angle
    by_angle = np.argsort(where)
    sector = by_angle[np.searchsorted(where[by_angle], 8.0 * i + back, side="right") - 1]
    into = back - fans.begin_angle[sector]
    a, b, wedge = fans.second[sector], fans.third[sector], fans.angle[sector]
    length = np.linalg.norm(x[j] - x[i], axis=1)
    weights = np.stack(
        [
            length * np.sin(wedge - into) / (np.linalg.norm(x[a] - x[i], axis=1) * np.sin(wedge)),
            length * np.sin(into) / (np.linalg.norm(x[b] - x[i], axis=1) * np.sin(wedge)),
        ],
        axis=1,
    )
    behind = np.stack([a, b], axis=1)
    off = into > wedge * (1.0 + 1e-9)
    behind[off, 0] = j[off]
    weights[off] = (-1.0, 0.0)
    return behind.astype(np.int32), weights
