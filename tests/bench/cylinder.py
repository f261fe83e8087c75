"""A film on a turning cylinder, by general tools, for comparison with the film's kernels.

In the mould's frame, lengths in h*, time in 1/rad of turn: dh/dt + dq/da = 0 with
q = -h^3 cos(a + t)/3 (Moffatt 1977). Every function starts from the exact profile, goes on for
`TURNS` turns and gives (film, seconds of processor time).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.sparse import diags_array

from evenwall.numerics.film import Coat, FilmMesh, Fluid, Numerics, Spin, coats
from evenwall.units import G_M_S2

Floats = npt.NDArray[np.float64]
Timed = tuple[Floats, float]

TURNS = 2
FLOW = 0.62714  # q of a mean film of 0.65 h*
END = 2.0 * np.pi * TURNS
LANES = 16
BATCH = (
    16 * LANES
)  # so many that the overhead of a call no longer counts; a plan sends sixteen at a time


def profile(angle: Floats) -> Floats:
    """The smooth root of h - h^3 cos(angle)/3 = FLOW."""

    def one(c: float) -> float:
        return float(brentq(lambda h: h - h**3 * c / 3.0 - FLOW, 0.0, c**-0.5 if c > 0 else 10.0))

    return np.array([one(c) for c in np.cos(angle).tolist()])


def cells(n: int) -> Floats:
    return (np.arange(n) + 0.5) * (2.0 * np.pi / n)


def error(film: Floats) -> float:
    """Relative L2 against the exact profile at the cells' middles; after whole turns it is back."""
    exact = profile(cells(len(film)))
    return float(np.linalg.norm(film - exact) / np.linalg.norm(exact))


def timed(work: Callable[[], Floats]) -> Timed:
    start = time.process_time()
    film = work()
    return film, time.process_time() - start


# --- Ours ----------------------------------------------------------------------------------------

RADIUS_M, RATE_RAD_S, SCALE_M, DENSITY = 0.1, 0.2, 5e-5, 1080.0


def ring(n: int) -> FilmMesh:
    """A cylinder about x of unit breadth, cut into n cells round it: the kernel's own cells and
    edges, without the second direction that a mesh of triangles has."""
    angle, step = cells(n), 2.0 * np.pi / n
    round_ = np.column_stack([np.zeros(n), np.cos(angle), np.sin(angle)])
    first = np.arange(n)
    edges = np.column_stack([first, (first + 1) % n])
    before = np.concatenate([first - 1, first + 2]) % n  # straight behind either end of an edge
    arc = RADIUS_M * step
    chord = 2.0 * RADIUS_M * np.sin(0.5 * step)
    none = np.zeros(n, dtype=bool)
    return FilmMesh(
        points=RADIUS_M * round_,
        triangles=np.empty((0, 3), dtype=np.int32),
        normals=-round_,
        area=np.full(n, arc),
        curvature=np.full(n, 1.0 / RADIUS_M),
        edges=edges.astype(np.int32),
        weight=np.full(n, 1.0 / chord),
        rim=none,
        on_rim=none,
        rim_out=np.zeros((n, 3)),
        upwind=np.column_stack([before, before]).astype(np.int32),
        upwind_weight=np.tile([1.0, 0.0], (2 * n, 1)),
        edge_length_m=arc,
    )


def ours(n: int, profiles: int = BATCH, cfl: float = Numerics.cfl) -> Timed:
    """Return the film, and one profile's share of the time of a full batch."""
    mesh = ring(n)
    viscosity = DENSITY * G_M_S2 * SCALE_M**2 / (RATE_RAD_S * RADIUS_M)
    time_s = np.array([0.0, END / RATE_RAD_S])
    fluid = Fluid(DENSITY, 0.0, time_s, np.full(2, viscosity))
    start = SCALE_M * profile(cells(n))
    many = [Coat(fluid, Spin.steady(RATE_RAD_S, 0.0), start_m=start)] * profiles
    rules = Numerics(path_tol_m=1e-12, cfl=cfl)
    film, taken = timed(lambda: coats(mesh, many, numerics=rules)[0].film_m / SCALE_M)
    return film, taken / profiles


# --- The others ----------------------------------------------------------------------------------


def lines(method: str, n: int, tolerance: float) -> Timed:
    """scipy by the method of lines: central differences of the flux at the cells' faces."""
    step = 2.0 * np.pi / n
    face = cells(n) + 0.5 * step

    def rate(t: float, h: Floats) -> Floats:
        q = -((0.5 * (h + np.roll(h, -1))) ** 3) * np.cos(face + t) / 3.0
        return np.asarray((np.roll(q, 1) - q) / step)

    near = diags_array([np.ones(n)] * 5, offsets=[-n + 1, -1, 0, 1, n - 1], shape=(n, n))
    more = {"jac_sparsity": near} if method == "BDF" else {}

    def work() -> Floats:
        run = solve_ivp(
            rate,
            (0.0, END),
            profile(cells(n)),
            method=method,
            rtol=tolerance,
            atol=tolerance,
            t_eval=[END],
            **more,
        )
        return np.asarray(run.y[:, -1])

    return timed(work)


def pde(n: int, tolerance: float) -> Timed:
    """py-pde: its expression compiled by numba, its adaptive explicit stepper."""
    from pde import PDE, CartesianGrid, ScalarField

    grid = CartesianGrid([[0.0, 2.0 * np.pi]], n, periodic=True)
    equation = PDE({"h": "d_dx(h**3*cos(x + t))/3"})
    state = ScalarField(grid, profile(np.asarray(grid.axes_coords[0])))
    solve = partial(
        equation.solve,
        state,
        dt=1e-3,
        solver="runge-kutta",
        adaptive=True,
        tolerance=tolerance,
        tracker=None,
    )
    solve(t_range=0.01)  # compiles
    return timed(lambda: np.asarray(solve(t_range=END).data))


def fipy(n: int, steps_a_turn: int) -> Timed:
    """FiPy: Van Leer's convection term, implicit Euler (it has no other step), three sweeps."""
    from fipy import CellVariable, PeriodicGrid1D, TransientTerm, VanLeerConvectionTerm

    mesh = PeriodicGrid1D(nx=n, dx=2.0 * np.pi / n)
    film = CellVariable(mesh=mesh, value=profile(np.asarray(mesh.x)), hasOld=True)
    face = np.asarray(mesh.faceCenters[0])
    dt = 2.0 * np.pi / steps_a_turn

    def work() -> Floats:
        for k in range(TURNS * steps_a_turn):
            film.updateOld()
            pull = -np.cos(face + (k + 1) * dt) / 3.0
            for _ in range(3):
                speed = film.arithmeticFaceValue**2 * pull
                term = VanLeerConvectionTerm(coeff=speed[None])
                (TransientTerm() + term == 0).sweep(var=film, dt=dt)
        return np.asarray(film.value)

    return timed(work)
