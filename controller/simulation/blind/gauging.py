"""Measurements that a maker can take of a blind casting, and its true wall."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.spatial import cKDTree

from evenwall.simulation.blind.draws import Draw
from evenwall.simulation.blind.surface import Surface

Floats = npt.NDArray[np.float64]

READINGS = 12
OFF_MM = 0.1  # of a wall gauge in a maker's hand (common practice, no source)
FOOT_M, PATCH_M = 3e-3, 6e-3  # half the width of a gauge's foot, and of a patch


@dataclass(frozen=True, slots=True)
class Reading:
    """Reading of the gauge at one place.

    high_mm: height over the mould's lowest point along its minor axis; side_deg: angle round it.
    """

    high_mm: float
    side_deg: float
    at_mm: tuple[float, float, float]
    gauge_mm: float


@dataclass(frozen=True, slots=True)
class Measured:
    """The maker's findings: the casting's weight, the lid's resin, a dozen readings."""

    weight_g: float
    lid_g: float
    readings: tuple[Reading, ...]

    @property
    def thinnest(self) -> Reading:
        return min(self.readings, key=lambda reading: reading.gauge_mm)


@dataclass(frozen=True, slots=True)
class Truth:
    """True wall, as resin volume per wall area, mm, cured (shrunk) and as poured.

    min_mm: the thinnest patch of 12 mm; mean_mm: of the wall without the lid.
    """

    mean_mm: float
    min_mm: float
    liquid_mean_mm: float
    liquid_min_mm: float
    lid_share: float


@dataclass(frozen=True, eq=False)
class Spots:
    """Places of a gauge, and the patches that count, on one surface."""

    surface: Surface
    cells: npt.NDArray[np.int64]  # (READINGS,) of the wall
    feet: sparse.csr_array  # (READINGS, n) means under the gauge
    patches: sparse.csr_array  # (n, n) means over patches round the wall's cells

    @staticmethod
    def of(surface: Surface) -> Spots:
        """A dozen spots as far from one another as they can be, the first at the wall's foot."""
        wall = np.flatnonzero(~surface.lid)
        middle = surface.middle[wall]
        chosen = [int(np.argmin(middle[:, 2]))]
        away = np.linalg.norm(middle - middle[chosen[0]], axis=1)
        while len(chosen) < READINGS:
            chosen.append(int(np.argmax(away)))
            away = np.minimum(away, np.linalg.norm(middle - middle[chosen[-1]], axis=1))
        cells = wall[chosen]
        return Spots(surface, cells, _means(surface, cells, FOOT_M), _means(surface, wall, PATCH_M))

    def measured(self, film_m: Floats, luck: Draw, density_kg_m3: float) -> tuple[Measured, Truth]:
        """Return the measures and the truth of a casting with these films (n,)."""
        s = self.surface
        grams = s.area * film_m * density_kg_m3 * 1e3
        cured = 1.0 - luck.shrinks
        curve = s.vertex_curvature[s.cells[self.cells]].mean(axis=1)
        foot = np.asarray(self.feet @ film_m) * cured
        # A layer t along the normal of a hollow wall holds t - k t^2/2 per wall area.
        gauge = foot + 0.5 * curve * foot**2
        hand = random.Random(f"gauge/{luck.seed}")
        low = float(s.points[:, 2].min())
        readings = []
        for cell, depth in zip(self.cells, gauge, strict=True):
            x, y, z = s.middle[cell]
            readings.append(
                Reading(
                    round((z - low) * 1e3),
                    round(math.degrees(math.atan2(y, x)) % 360.0),
                    (x * 1e3, y * 1e3, z * 1e3),
                    round(depth * 1e3 + hand.uniform(-OFF_MM, OFF_MM), 1),
                )
            )
        wall = ~s.lid
        mean = float(s.area[wall] @ film_m[wall] / s.area[wall].sum()) * 1e3
        least = float((self.patches @ film_m).min()) * 1e3
        lid_g = float(grams[s.lid].sum())
        casting_g = float(grams[wall].sum())
        return (
            Measured(float(round(casting_g)), float(round(lid_g)), tuple(readings)),
            Truth(mean * cured, least * cured, mean, least, lid_g / (lid_g + casting_g)),
        )


def _means(surface: Surface, of: npt.NDArray[np.int64], half_m: float) -> sparse.csr_array:
    """Return area means over the cells within `half_m` of each that face a similar way, (len(of),
    n).

    Every cell counts as four quarters, so that a patch has no ragged edge.
    """
    corner = surface.points[surface.cells]
    mids = 0.5 * (corner + np.roll(corner, -1, axis=1))
    quarters = np.concatenate(
        [
            (corner + mids + np.roll(mids, 1, axis=1)) / 3.0,
            mids.mean(axis=1, keepdims=True),
        ],
        axis=1,
    ).reshape(-1, 3)
    owner = np.repeat(np.arange(len(surface.cells)), 4)
    near = cKDTree(surface.middle[of]).sparse_distance_matrix(
        cKDTree(quarters), half_m, output_type="coo_matrix"
    )
    cell = owner[near.col]
    alike = (surface.normal[of[near.row]] * surface.normal[cell]).sum(axis=1) > 0.0
    alike &= ~surface.lid[cell]
    weight = sparse.coo_array(
        (surface.area[cell[alike]], (near.row[alike], cell[alike])),
        shape=(len(of), len(surface.cells)),
    ).tocsr()
    return sparse.csr_array(sparse.diags_array(1.0 / weight.sum(axis=1)) @ weight)
