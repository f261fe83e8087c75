"""The batched kernel: compiled once with the machine's C compiler and kept under its hash."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from evenwall.errors import NotConverged
from evenwall.numerics import native
from evenwall.numerics.film.inputs import Coat, FilmResult, Halt, Halted, Numerics
from evenwall.numerics.film.mesh import FilmMesh, levelling_bounds
from evenwall.numerics.film.start import mean_film, start_film
from evenwall.units import G_M_S2

LOOK_S = 0.1  # time between two calls of `halt`
LANES = 16  # at most
SHORT = 10  # coats a thread: up to here eight lanes, refilled, end before sixteen
_SOURCE = Path(__file__).with_name("kernel.c")


def lanes_for(coats: int, threads: int) -> int:
    """Return the kernel's lanes for this many coats: as many as one instruction computes.

    More lanes than that take longer in proportion, and more of them are idle at the end of a batch.
    Of sixteen, half are used for a short batch: a step of eight takes two thirds of the time.
    Measured on one machine, 1,200 cells, microseconds a step with 4, 8 and 16 lanes: 463, 970 and
    1814 with registers of 128 bits, 242, 257 and 842 with 256 bits, 213, 227 and 333 with 512 bits.
    """
    wide = native.floats_abreast()
    return wide // 2 if wide == LANES and coats <= SHORT * threads else wide


@cache
def library(lanes: int = LANES) -> Path:
    """Return the compiled kernel's file. Raises NoCompiler.

    The compiler chooses which products and sums it fuses into one instruction. On some machines it
    chooses differently for the narrow and the wide kernel, and then a film would depend on how many
    others are computed with it. Fusing is therefore off, which makes the kernel a tenth slower.
    """
    return native.library(_SOURCE, f"-DL={lanes}", "-ffp-contract=off")


def have_compiler() -> bool:
    """Whether `coats` will run on the compiled kernel."""
    return not native.why_no_compiler()


class _Mesh(ctypes.Structure):
    _fields_ = [(name, ctypes.c_int64) for name in ("cells", "edges", "rims")] + [
        (name, ctypes.c_void_p)
        for name in (
            "edge",
            "behind",
            "edge_data",
            "start",
            "neighbour",
            "edge_of",
            "lap",
            "cell_data",
            "area",
            "rim",
            "rim_of",
            "rim_out",
        )
    ]


class _Job(ctypes.Structure):
    _fields_ = [
        ("knots", ctypes.c_int64),
        ("table", ctypes.c_int64),
        ("knot", ctypes.c_void_p),
        ("time", ctypes.c_void_p),
        ("fluidity", ctypes.c_void_p),
        ("remaining", ctypes.c_void_p),
        ("capillary2", ctypes.c_double),
        ("cap", ctypes.c_double),
        ("start_film", ctypes.c_void_p),
        ("film", ctypes.c_void_p),
        ("spilt", ctypes.c_double),
        ("end_s", ctypes.c_double),
        ("steps", ctypes.c_int64),
        ("status", ctypes.c_int64),
    ]


class _Rules(ctypes.Structure):
    _fields_ = [
        ("turn_steps", ctypes.c_double),
        ("cfl", ctypes.c_double),
        ("path_tol", ctypes.c_double),
        ("gravity", ctypes.c_double),
        ("max_steps", ctypes.c_double),
        ("open", ctypes.c_int64),
        ("stabilised", ctypes.c_int64),
        ("halt", ctypes.c_void_p),
    ]


@cache
def _kernel(lanes: int) -> Any:
    run = ctypes.CDLL(str(library(lanes))).film_run
    run.argtypes = [
        ctypes.POINTER(_Mesh),
        ctypes.POINTER(_Rules),
        ctypes.POINTER(_Job),
        ctypes.c_int64,
    ]
    run.restype = ctypes.c_int
    return run


@dataclass
class _Packed:
    """The mesh as the kernel reads it; keeps the arrays alive."""

    struct: _Mesh
    arrays: dict[str, npt.NDArray[Any]]


def _pack(mesh: FilmMesh) -> _Packed:
    i, j = mesh.edges.T
    e, n = len(mesh.edges), mesh.cells
    share = mesh.area / (mesh.degree + mesh.rim)
    along = mesh.points[j] - mesh.points[i]
    normal = 0.5 * (mesh.normals[i] + mesh.normals[j])
    edge_data = np.column_stack(
        [
            mesh.weight,
            np.linalg.norm(along, axis=1),
            along,
            normal,
            mesh.upwind_weight[:e],
            mesh.upwind_weight[e:],
            share[i],
            share[j],
            1.0 / mesh.area[i],
            1.0 / mesh.area[j],
        ]
    )
    owner = np.concatenate([i, j])
    order = np.argsort(owner, kind="stable")
    x, y, z = mesh.points.T
    cell_data = np.column_stack(
        [
            mesh.curvature,
            *levelling_bounds(mesh),
            mesh.normals,
            *(x * x, y * y, z * z, x * y, x * z, y * z),
        ]
    )
    rims = np.flatnonzero(mesh.rim)
    rim_of = np.full(n, -1, dtype=np.int32)
    rim_of[rims] = np.arange(len(rims))
    arrays: dict[str, npt.NDArray[Any]] = {
        "edge": mesh.edges.astype(np.int32),
        "behind": np.column_stack([mesh.upwind[:e], mesh.upwind[e:]]).astype(np.int32),
        "edge_data": edge_data.astype(np.float32),
        "start": np.concatenate([[0], np.cumsum(np.bincount(owner, minlength=n))]).astype(np.int64),
        "neighbour": np.concatenate([j, i])[order].astype(np.int32),
        "edge_of": np.concatenate([np.arange(e), ~np.arange(e)])[order].astype(np.int32),
        "lap": (np.tile(mesh.weight, 2) / mesh.area[owner])[order].astype(np.float32),
        "cell_data": cell_data.astype(np.float32),
        "area": mesh.area.astype(np.float64),
        "rim": rims.astype(np.int32),
        "rim_of": rim_of,
        "rim_out": np.column_stack([mesh.rim_out[rims], share[rims]]).astype(np.float32),
    }
    arrays = {name: np.ascontiguousarray(a) for name, a in arrays.items()}
    struct = _Mesh(n, e, len(rims), *[a.ctypes.data for a in arrays.values()])
    return _Packed(struct, arrays)


def run_batch(
    mesh: FilmMesh,
    coats: Sequence[Coat],
    *,
    rim_open: bool,
    numerics: Numerics,
    threads: int = 1,
    halt: Halt | None = None,
) -> list[FilmResult]:
    """Compute all coats with the compiled kernel, a few at a time per thread; lanes refill.

    Raises Halted as soon as `halt` returns true.
    """
    run = _kernel(lanes_for(len(coats), threads))
    packed = _pack(mesh)
    halted = ctypes.c_int32(0)
    rules = _Rules(
        numerics.turn_steps,
        numerics.cfl,
        numerics.path_tol_m,
        G_M_S2,
        numerics.max_steps,
        int(rim_open),
        int(numerics.stabilised),
        ctypes.addressof(halted),
    )
    starts = [np.ascontiguousarray(start_film(mesh, c)) for c in coats]
    films = [np.empty(mesh.cells) for _ in coats]
    # The longest coats come first, so that the last lanes to be refilled hold short ones.
    order = sorted(range(len(coats)), key=lambda k: -coats[k].spin.travel_rad)
    shares = [order[t::threads] for t in range(threads)]

    def one(share: list[int]) -> list[tuple[int, _Job]]:
        jobs = (_Job * len(share))()
        for job, k in zip(jobs, share, strict=True):
            fluid, spin = coats[k].fluid, coats[k].spin
            job.knots, job.table = len(spin.knots), len(fluid.times_s)
            job.knot, job.time = spin.knots.ctypes.data, fluid.times_s.ctypes.data
            job.fluidity, job.remaining = fluid.fluidity.ctypes.data, fluid.remaining.ctypes.data
            job.capillary2 = fluid.capillary_length2_m2
            job.cap = numerics.cap_ratio * mean_film(mesh, starts[k])
            job.start_film, job.film = starts[k].ctypes.data, films[k].ctypes.data
        if run(ctypes.byref(packed.struct), ctypes.byref(rules), jobs, len(share)):
            raise MemoryError("out of memory for the film kernel")
        return list(zip(share, jobs, strict=True))

    with ThreadPoolExecutor(threads) as pool:
        working = [pool.submit(one, share) for share in shares if share]
        try:
            while wait(working, LOOK_S if halt else None).not_done:
                if halt and halt():
                    raise Halted
        finally:
            halted.value = 1  # so that Ctrl-C does not wait for the kernel either
        done = dict(pair for chunk in working for pair in chunk.result())
    return [_result(mesh, starts[k], films[k], done[k]) for k in range(len(coats))]


def _result(
    mesh: FilmMesh, start: npt.NDArray[np.float64], film: npt.NDArray[np.float64], job: _Job
) -> FilmResult:
    before = float(mesh.area @ start)
    error = (float(mesh.area @ film) + job.spilt - before) / before
    if job.status:
        what = "film flow (too many steps)" if job.status == 1 else "film flow (not finite)"
        raise NotConverged(what, error, job.steps)
    return FilmResult(film, job.spilt, error, job.end_s, job.steps)
