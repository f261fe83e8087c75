"""Film of a coat in the blind world: input and result of its kernel."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.optimize import brentq

from evenwall.errors import InputError, NotConverged
from evenwall.numerics import native
from evenwall.simulation.blind.surface import Surface

Floats = npt.NDArray[np.float64]

GRAVITY_M_S2 = 9.80665
LANES, FEW = 16, 4
SOURCE = Path(__file__).with_name("film_of_cells.c")
FLAGS = ("-ffp-contract=off",)
# A pool is not a film: beyond this many mean films the resin moves no faster. This is twice the
# planner's cap; 4 and 6 differ by 0.02 of the mean in the worst case seen (a late start).
POOL_FILMS = 4.0
# The same for the flow by surface tension, whose share of a pool's flow is small.
BEND_FILMS = 2.0
CFL, REAL_AXIS = 1.2, 3.8  # of SSPRK(3,2), whose own limit on the real axis is 4.5
STRAIGHT = 0.25  # of a stable slope, straight across a side: damps what alternates
LOCAL_EVERY, MOST_STEPS = 8, 400_000
STEEPEST_1_M = 200.0  # of the correction for a curved wall: h times this stays below 0.4


@dataclass(frozen=True, eq=False)
class Turning:
    """Angles of the two axes over time, by straight lines: time_s, major_rad, minor_rad (k,)."""

    time_s: Floats
    major_rad: Floats
    minor_rad: Floats
    down: tuple[float, float, float] = (0.0, 0.0, -1.0)  # gravity in the room, a unit vector


@dataclass(frozen=True, eq=False)
class Liquid:
    """One batch on the wall, over time (k,).

    thicker: d ln(viscosity)/d ln(film thickness); warmer: d ln(viscosity)/dT, 1/K.
    """

    time_s: Floats
    viscosity_Pa_s: Floats
    density_kg_m3: float
    tension_N_m: float
    thicker: Floats | None = None
    warmer: Floats | None = None


@dataclass(frozen=True, eq=False)
class Pour:
    """Coat to be computed.

    end_K: one end of the mould is warmer by this than its middle. start_m: film in the cells (n,)
    instead of a level pool.
    """

    turning: Turning
    liquid: Liquid
    volume_m3: float
    from_s: float
    end_K: float = 0.0
    start_m: Floats | None = field(default=None)


@dataclass(frozen=True, eq=False)
class Left:
    """Result: film_m (n,) in the cells; spilt_m3 over an open rim; relative volume imbalance."""

    film_m: Floats
    spilt_m3: float
    imbalance: float
    steps: int


class _Mesh(ctypes.Structure):
    _fields_ = [
        *[(name, ctypes.c_int64) for name in ("cells", "vertices", "sides", "rims")],
        *[(name, ctypes.c_void_p) for name in (
            "side", "side_data", "vstart", "vcell", "vweight", "bstart", "bvertex", "bweight",
            "kappa", "cstart", "cside", "area", "high", "rim", "rim_data",
        )],
        *[(name, ctypes.c_double) for name in ("slope_rate", "bend_rate")],
    ]  # fmt: skip


class _Job(ctypes.Structure):
    _fields_ = [
        *[(name, ctypes.c_int64) for name in ("turns", "fluids")],
        *[(name, ctypes.c_void_p) for name in ("turn", "fluid")],
        ("down", ctypes.c_double * 3),
        *[(name, ctypes.c_double) for name in (
            "capillary2", "cap", "bend_cap", "mean", "warmer", "from_s", "until_s",
        )],
        ("film", ctypes.c_void_p),
        ("spilt", ctypes.c_double),
        *[(name, ctypes.c_int64) for name in ("steps", "status")],
    ]  # fmt: skip


class _Rules(ctypes.Structure):
    _fields_ = [
        *[(name, ctypes.c_double) for name in (
            "cfl", "real_axis", "gravity", "local_every", "most_steps", "lean",
        )],
        ("open", ctypes.c_int64),
    ]  # fmt: skip


@cache
def _kernel(lanes: int) -> Any:
    run = ctypes.CDLL(str(native.library(SOURCE, f"-DL={lanes}", *FLAGS))).film_of_cells
    run.argtypes = [
        ctypes.POINTER(_Mesh),
        ctypes.POINTER(_Rules),
        ctypes.POINTER(_Job),
        ctypes.c_int64,
    ]
    run.restype = ctypes.c_int
    return run


@dataclass(frozen=True, eq=False)
class Sides:
    """Geometry of the inner sides: cells (s, 2), ends (s, 2), facing (s, 2), and the vectors there.

    across (s, 3): unit tangent from the first cell to the second; along (s, 3): along the side;
    normal (s, 3); length, high (s, 2) heights over the side, foot (s, 2), apart, skew.
    """

    cells: npt.NDArray[np.int64]
    ends: npt.NDArray[np.int64]
    facing: npt.NDArray[np.int64]
    middle: Floats
    along: Floats
    across: Floats
    normal: Floats
    length: Floats
    foot: Floats
    high: Floats
    apart: Floats
    skew: Floats

    @staticmethod
    def of(surface: Surface) -> Sides:
        inner = surface.edges[:, 1] >= 0
        cells, ends, facing = (a[inner] for a in (surface.edges, surface.ends, surface.facing))
        p1, p2 = surface.points[ends[:, 0]], surface.points[ends[:, 1]]
        middle, length = 0.5 * (p1 + p2), np.linalg.norm(p2 - p1, axis=1)
        along = (p2 - p1) / length[:, None]
        bent = np.asarray(surface.lid[cells].any(axis=1))[:, None]
        normal = np.where(
            bent, surface.normal[cells].sum(axis=1), surface.vertex_normal[ends].sum(axis=1)
        )
        across = np.cross(along, normal)
        across /= np.linalg.norm(across, axis=1)[:, None]
        ahead = surface.middle[cells[:, 1]] - surface.middle[cells[:, 0]]
        across *= np.sign((across * ahead).sum(axis=1))[:, None]
        normal /= np.linalg.norm(normal, axis=1)[:, None]
        tops = surface.points[facing] - p1[:, None]
        foot = (tops * along[:, None]).sum(axis=2)
        high = np.linalg.norm(tops - foot[..., None] * along[:, None], axis=2)
        from_middle = surface.middle[cells] - middle[:, None]
        shift = (from_middle * along[:, None]).sum(axis=2)
        apart = high.sum(axis=1) / 3.0  # a centroid lies a third of the height over the side
        skew = (shift[:, 1] - shift[:, 0]) / apart / length
        return Sides(
            cells, ends, facing, middle, along, across, normal, length,
            foot / length[:, None], high, apart, skew,
        )  # fmt: skip

    def smooth_slope(self, vertices: int) -> sparse.csr_array:
        """(s, v): slope across each side, the mean of the two cells' own gradients."""
        rows = np.arange(len(self.length))
        wi, wj = 0.5 / self.high[:, 0], 0.5 / self.high[:, 1]
        one = (1.0 - self.foot[:, 0]) * wi - (1.0 - self.foot[:, 1]) * wj
        two = self.foot[:, 0] * wi - self.foot[:, 1] * wj
        return sparse.csr_array(
            (
                np.concatenate([one, two, -wi, wj]),
                (np.tile(rows, 4), np.concatenate([*self.ends.T, *self.facing.T])),
            ),
            shape=(len(rows), vertices),
        )


def curving(surface: Surface, sides: Sides) -> Floats:
    """Correction (s, 3) of gravity's drive per film thickness, 1/m: (k I - K) across / 2.

    Roy, Roberts and Simpson 2002, J. Fluid Mech. 454:235, from memory; for a falling film inside an
    upright tube it gives the exact annulus to first order in h/R.
    """
    cell_normal = surface.vertex_normal[surface.cells].sum(axis=1)
    cell_normal /= np.linalg.norm(cell_normal, axis=1)[:, None]
    turn = np.diff(cell_normal[sides.cells], axis=1)[:, 0]
    turn_along = np.diff(surface.vertex_normal[sides.ends], axis=1)[:, 0]
    mixed = -(turn * sides.along).sum(axis=1) / sides.apart
    straight = -(turn_along * sides.along).sum(axis=1) / sides.length
    found = 0.5 * (straight[:, None] * sides.across - mixed[:, None] * sides.along)
    size = np.linalg.norm(found, axis=1)[:, None]
    found *= np.minimum(1.0, STEEPEST_1_M / np.maximum(size, 1e-9))
    found[surface.lid[sides.cells].any(axis=1)] = 0.0
    return np.asarray(found)


def _fastest(operator: sparse.csr_array) -> float:
    """Largest |eigenvalue| by power iteration, from a fixed start; 10 % is added."""
    x = np.random.default_rng(1).standard_normal(operator.shape[1])
    size = 1.0
    for _ in range(60):
        x = operator @ (x / np.linalg.norm(x))
        size = float(np.linalg.norm(x))
    return 1.1 * size


@dataclass
class _Packed:
    struct: _Mesh
    arrays: dict[str, npt.NDArray[Any]]


def _pack(surface: Surface) -> _Packed:
    sides = Sides.of(surface)
    n, v, s = len(surface.cells), len(surface.points), len(sides.length)
    share = surface.area / 3.0
    away = np.linalg.norm(surface.middle[sides.cells] - sides.middle[:, None], axis=2)
    near = away / away.sum(axis=1)[:, None]
    lidded = surface.lid[sides.cells]
    weights, bending = surface.to_vertices, surface.bending
    data = np.column_stack(
        [
            sides.length, sides.across, curving(surface, sides), sides.middle, sides.normal,
            near, sides.foot, 1.0 / sides.high, 1.0 / sides.apart, sides.skew,
            1.0 / surface.area[sides.cells], share[sides.cells], lidded[:, 0] == lidded[:, 1],
        ]
    )  # fmt: skip
    owner = sides.cells.T.ravel()
    order = np.argsort(owner, kind="stable")
    edge_of = np.concatenate([np.arange(s), ~np.arange(s)])[order]
    rim = surface.edges[:, 1] < 0
    out, rim_cell = _rim_out(surface, rim)
    z = surface.middle[:, 2]
    arrays: dict[str, npt.NDArray[Any]] = {
        "side": np.column_stack([sides.cells, sides.ends, sides.facing]).astype(np.int32),
        "side_data": data.astype(np.float32),
        "vstart": weights.indptr.astype(np.int64),
        "vcell": weights.indices.astype(np.int32),
        "vweight": weights.data.astype(np.float32),
        "bstart": bending.indptr.astype(np.int64),
        "bvertex": bending.indices.astype(np.int32),
        "bweight": bending.data.astype(np.float32),
        "kappa": surface.vertex_curvature.astype(np.float32),
        "cstart": np.concatenate([[0], np.cumsum(np.bincount(owner, minlength=n))]).astype(
            np.int64
        ),
        "cside": edge_of.astype(np.int32),
        "area": surface.area.astype(np.float64),
        "high": (2.0 * (z - z.min()) / (z.max() - z.min()) - 1.0).astype(np.float32),
        "rim": rim_cell.astype(np.int32),
        "rim_data": np.column_stack([out, share[rim_cell]]).astype(np.float32),
    }
    arrays = {name: np.ascontiguousarray(a) for name, a in arrays.items()}
    struct = _Mesh(
        n, v, s, len(rim_cell), *[a.ctypes.data for a in arrays.values()],
        *_rates(surface, sides),
    )  # fmt: skip
    return _Packed(struct, arrays)


def _rates(surface: Surface, sides: Sides) -> tuple[float, float]:
    """Fastest rates of a film's own slope, 1/m2, and of its bending, 1/m4, per unit mobility."""
    n, v, s = len(surface.cells), len(surface.points), len(sides.length)
    weights, bending, smooth = surface.to_vertices, surface.bending, sides.smooth_slope(v)
    lidded = surface.lid[sides.cells]
    leaving = sparse.csr_array(
        (
            np.concatenate([-sides.length, sides.length]) / surface.area[sides.cells.T.ravel()],
            (sides.cells.T.ravel(), np.tile(np.arange(s), 2)),
        ),
        shape=(n, s),
    )
    straight = sparse.csr_array(
        (
            np.concatenate([-1.0 / sides.apart, 1.0 / sides.apart]),
            (np.tile(np.arange(s), 2), sides.cells.T.ravel()),
        ),
        shape=(s, n),
    )
    slope = STRAIGHT * straight + (1.0 - STRAIGHT) * (smooth @ weights)
    same = sparse.diags_array((lidded[:, 0] == lidded[:, 1]).astype(float))
    return (
        _fastest(sparse.csr_array(leaving @ slope)),
        _fastest(sparse.csr_array(leaving @ (same @ smooth) @ bending @ weights)),
    )


def _rim_out(surface: Surface, rim: npt.NDArray[np.bool_]) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Outward tangents at the rim's sides times their lengths (r, 3), and their cells (r,)."""
    cell = surface.edges[rim, 0]
    p1, p2 = (surface.points[surface.ends[rim, k]] for k in range(2))
    out = np.cross(p2 - p1, surface.normal[cell])
    inward = surface.middle[cell] - 0.5 * (p1 + p2)
    return out * -np.sign((out * inward).sum(axis=1))[:, None], cell


def level_pool(surface: Surface, down: Floats, volume_m3: float) -> Floats:
    """Film (n,) of a level pool under gravity along `down` (3,). Raises InputError if it runs
    over."""
    height = -(surface.middle @ down)
    under = np.maximum(-(surface.normal @ down), 0.0) * ~surface.lid

    def held(level: float) -> Floats:
        return np.asarray(np.maximum(level - height, 0.0) * under)

    top = float(height.max())
    if float(surface.area @ held(top)) < volume_m3:
        raise InputError("volume poured", f"{volume_m3 * 1e6:.1f}", "runs over", unit="cm3")
    level = brentq(lambda z: float(surface.area @ held(z)) - volume_m3, float(height.min()), top)
    film = held(float(level))
    return np.asarray(film * (volume_m3 / (surface.area @ film)))


def down_at(turning: Turning, time_s: float) -> Floats:
    """Gravity's direction (3,) in the mould at a time: Rz(-minor) Rx(-major) down."""
    phi = float(np.interp(time_s, turning.time_s, turning.major_rad))
    psi = float(np.interp(time_s, turning.time_s, turning.minor_rad))
    x, y, z = turning.down
    y, z = np.cos(phi) * y + np.sin(phi) * z, np.cos(phi) * z - np.sin(phi) * y
    return np.array([np.cos(psi) * x + np.sin(psi) * y, np.cos(psi) * y - np.sin(psi) * x, z])


class Flows:
    """The film of many coats on one surface, `LANES` at a time."""

    def __init__(
        self, surface: Surface, *, pool_films: float = POOL_FILMS, open_rim: bool = True
    ) -> None:
        self.surface, self.pool_films = surface, pool_films
        self._packed = _pack(surface)
        self.open = open_rim and bool(self._packed.struct.rims)

    def run(self, pours: Sequence[Pour]) -> list[Left]:
        """Compute every coat until its resin no longer moves. Raises InputError, NotConverged,
        NoCompiler."""
        found: list[Left] = []
        lanes = LANES if len(pours) > FEW else FEW
        for at in range(0, len(pours), lanes):
            found += self._batch(pours[at : at + lanes], lanes)
        return found

    def _batch(self, pours: Sequence[Pour], lanes: int) -> list[Left]:
        area = self.surface.area
        jobs = (_Job * len(pours))()
        kept: list[Any] = []
        films = []
        for job, pour in zip(jobs, pours, strict=True):
            film = (
                level_pool(self.surface, down_at(pour.turning, pour.from_s), pour.volume_m3)
                if pour.start_m is None
                else np.array(pour.start_m, dtype=np.float64)
            )
            turn, fluid = _tables(pour)
            mean = float(area @ film / area.sum())
            job.turns, job.fluids = len(turn), len(fluid)
            job.turn, job.fluid = turn.ctypes.data, fluid.ctypes.data
            job.down = (ctypes.c_double * 3)(*pour.turning.down)
            job.capillary2 = pour.liquid.tension_N_m / (pour.liquid.density_kg_m3 * GRAVITY_M_S2)
            job.cap, job.bend_cap = self.pool_films * mean, BEND_FILMS * mean
            job.mean, job.warmer = mean, pour.end_K
            job.from_s, job.until_s = pour.from_s, float(fluid[-1, 0])
            job.film = film.ctypes.data
            kept += [turn, fluid]
            films.append((film, float(area @ film)))
        rules = _Rules(CFL, REAL_AXIS, GRAVITY_M_S2, LOCAL_EVERY, MOST_STEPS, STRAIGHT, self.open)
        if _kernel(lanes)(ctypes.byref(self._packed.struct), ctypes.byref(rules), jobs, len(pours)):
            raise MemoryError("out of memory for the blind world's film")
        return [self._left(job, *film) for job, film in zip(jobs, films, strict=True)]

    def _left(self, job: Any, film: Floats, before_m3: float) -> Left:
        error = (float(self.surface.area @ film) + job.spilt - before_m3) / before_m3
        if job.status:
            what = "too many steps" if job.status == 1 else "not finite"
            raise NotConverged(f"the blind world's film ({what})", error, int(job.steps))
        return Left(film, float(job.spilt), error, int(job.steps))


def _tables(pour: Pour) -> tuple[Floats, Floats]:
    """Return the turning (k, 3) and the liquid (k, 4) in the kernel's form."""
    t, q = pour.turning, pour.liquid
    turn = np.column_stack([t.time_s, t.major_rad, t.minor_rad]).astype(np.float64)
    zero = np.zeros(len(q.time_s))
    fluid = np.column_stack(
        [
            q.time_s,
            np.log(q.density_kg_m3 * GRAVITY_M_S2 / (3.0 * q.viscosity_Pa_s)),
            zero if q.thicker is None else q.thicker,
            zero if q.warmer is None else q.warmer,
        ]
    )
    return np.ascontiguousarray(turn), np.ascontiguousarray(fluid)
