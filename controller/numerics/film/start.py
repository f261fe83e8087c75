"""The film at the start: a level pool in the parked mould."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from evenwall.errors import InputError
from evenwall.numerics.film.inputs import Coat
from evenwall.numerics.film.mesh import FilmMesh

Floats = npt.NDArray[np.float64]


def start_film(mesh: FilmMesh, coat: Coat) -> Floats:
    """Return the coat's own film or its pool, (n,), after checking it."""
    if coat.start_m is None:
        return pool(mesh, coat.spin.pull(coat.spin.start_s)[0], coat.volume_m3)
    h = np.asarray(coat.start_m, dtype=np.float64)
    if h.shape != (mesh.cells,) or not np.isfinite(h).all() or (h < 0).any() or not h.any():
        raise InputError(
            "film at the start", str(h.shape), f"needs {mesh.cells} finite values of 0 or more"
        )
    return h


def mean_film(mesh: FilmMesh, h: Floats) -> float:
    return float(mesh.area @ h) / mesh.total_area


def pool(mesh: FilmMesh, gravity: Floats, volume_m3: float) -> Floats:
    """Return the volume per wall area, (n,), of a pool that is level under gravity (3,).

    The pool over a wall element dA holds exactly depth (-g.n) dA where no wall overhangs it. Where
    the wall overhangs the pool, the formula is negative; that part is left out, and the level rises
    to keep the volume.
    """
    if not 0.0 < volume_m3 < np.inf:
        raise InputError("volume poured", volume_m3 * 1e6, "must be above 0", unit="cm3")
    height = -(mesh.points @ gravity)
    facing = np.maximum(-(mesh.normals @ gravity), 0.0)

    def film(level: float) -> Floats:
        return np.asarray(np.maximum(level - height, 0.0) * facing)

    def excess(level: float) -> float:
        return float(mesh.area @ film(level)) / volume_m3 - 1.0

    low, high = float(height.min()), float(height.max())
    if excess(high) < 0.0:
        held_cm3 = float(mesh.area @ film(high)) * 1e6
        limit = f"the parked mould holds at most {held_cm3:.1f} cm3"
        raise InputError("volume poured", f"{volume_m3 * 1e6:.1f}", limit, unit="cm3")
    h = film(brentq(excess, low, high, xtol=1e-12))
    return np.asarray(h * (volume_m3 / (mesh.area @ h)))
