"""Walls of single coats: the film of each recipe on the mould, as planned and on bad days."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from evenwall.geometry.film_mesh import remesh
from evenwall.geometry.mould import Cavity
from evenwall.model import CoatClock, RigSpec, Vector3
from evenwall.numerics.film import (
    LANES,
    Coat,
    FilmMesh,
    Fluid,
    Halted,
    Numerics,
    Spin,
    WallWeights,
    coats,
    lanes_for,
)
from evenwall.numerics.film.mesh import levelling_bounds
from evenwall.planning.recipe import Recipe, rippled, time_of
from evenwall.planning.wall import SURFACE_TENSION_N_M
from evenwall.units import percent
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

Array = NDArray[np.float64]

THREADS = min(4, os.cpu_count() or 1)
# The search tries thousands of sums on a coarse mesh. There a lower cap on the mobility of thick
# places, fewer steps per turn and an even start change min/mean by less than 0.01 (the film forgets
# its start in a few dozen turns) and halve the cost. The mesh that decides and polishes has a cap
# of three times the mean film and three fifths of the steps of the film's own rules; the last mesh
# uses those rules. With a late start or an early gel the resin is still in a pool, and a low cap
# makes both look worse than they are. One globe's coat that gels 10 % early keeps 0.00, 0.20 and
# 0.54 of the mean at caps of 2, 3 and 4; begun two minutes late 0.69, 0.91, 0.93 and 0.95 at 2, 3,
# 4 and 6. Steps half as long again as the film's own (cfl) change a wall by 0.6 % (L2) on 6.6 mm
# and 0.1 % on 4.8 mm, and cost a fifth less.
COARSE = Numerics(cap_ratio=2.0, turn_steps=12, cfl=1.0)
POLISH = Numerics(cap_ratio=3.0, cfl=1.0)
FINE = Numerics(cfl=1.0)
# SPACINGS: the shares of the requested spacing that are tried. SLOW: largest levelling rate of a
# mesh over its median, because the narrowest cell sets the step of every film.
SPACINGS, SLOW = (1.0, 0.985, 0.97, 0.955), 5.0
# Measured: cost of a cell with POLISH and FINE over its cost with COARSE, and of a lane among eight
# over its cost among sixteen.
POLISH_WORK, FINE_WORK, FEW_WORK = 2.6, 4.5, 1.4


@dataclass(frozen=True)
class Day:
    """Difference of a day from the plan: factors on viscosity, gel time and surface tension; a
    speed ripple; a late start.

    ripple: relative speed ripple of the major axis, see `rippled`. late: delay of the start of
    turning, as a share of the time to gel.
    """

    name: str
    viscosity: float = 1.0
    gel: float = 1.0
    ripple: float = 0.0
    late: float = 0.0
    tension: float = 1.0


AS_PLANNED = Day("as planned")
BAD_DAYS = (
    Day("viscosity 15 % lower", viscosity=0.85),
    Day("viscosity 15 % higher", viscosity=1.15),
    Day("gels 10 % early", gel=0.9),
    Day("gels 10 % late", gel=1.1),
    Day("0.5 % ripple towards the rim", ripple=-0.005),
    Day("0.5 % ripple from the rim", ripple=0.005),
)
LATE_DAYS = tuple(Day(f"begins {percent(late)} late", late=late) for late in (0.08, 0.18))
TENSION_DAY = Day("surface tension 30 % higher", tension=1.3)


@dataclass(frozen=True, eq=False)
class Timed:
    """Viscosity of a coat's resin on its clock, for one of its possible pouring times. table:
    (time_s, Pa s), (k, 2)."""

    table: Array
    clock: CoatClock


@dataclass(frozen=True, eq=False)
class Pour:
    """Resin of the coats, poured at once or after a wait, and the rig that turns them.

    times: for each coat, the possible pouring times, the earliest first; a recipe chooses the coat
    and the time. A recipe for a coat beyond the last has the times of the last. volume_m3 is the
    volume that is to stay, mean_m thick on average; spilt_m3 is poured in addition and runs over.
    open: the mouth is not capped during turning.
    """

    volume_m3: float
    spilt_m3: float
    mean_m: float
    density_kg_m3: float
    times: tuple[tuple[Timed, ...], ...]
    rig: RigSpec
    opening: Vector3
    open: bool = False

    @property
    def stands(self) -> int:
        """Return the number of pouring times that every coat has."""
        return min(len(times) for times in self.times)

    @property
    def usual(self) -> int:
        """Return the coat in the middle, for which recipes are tried."""
        return len(self.times) // 2

    def timed(self, recipe: Recipe) -> Timed:
        return time_of(recipe, self.times[min(recipe.coat, len(self.times) - 1)])

    def clock(self, recipe: Recipe) -> CoatClock:
        return self.timed(recipe).clock

    def coat(self, recipe: Recipe, day: Day, cells: int | None) -> Coat:
        """Return the film's input. A day changes only the factors that it names; the ramps stay as
        planned.

        cells: start from an even film on this many cells instead of from the pool.
        """
        timed = self.timed(recipe)
        # Every film is ramped up a fifth quicker than the rig allows, and soon forgets it.
        accel = 1.2 * self.rig.accel_limit_rpm_s
        found = rippled(recipe, day.ripple, timed.clock, accel, self.opening)
        fluid = Fluid(
            self.density_kg_m3,
            SURFACE_TENSION_N_M * day.tension,
            timed.table[:, 0] * day.gel,
            timed.table[:, 1] * day.viscosity,
        )
        from_s = timed.clock.spin_from_s + day.late * timed.clock.gel_expected_s
        spin = Spin(from_s, *found.start, found.duration_s, found.major, found.minor)
        if cells is None:
            return Coat(fluid, spin, volume_m3=self.volume_m3 + self.spilt_m3)
        return Coat(fluid, spin, start_m=np.full(cells, self.mean_m))


@dataclass(frozen=True, eq=False)
class Grid:
    """A film mesh with its statistics."""

    mesh: FilmMesh
    weights: WallWeights
    mesh_mm: float
    numerics: Numerics

    @staticmethod
    def of(cavity: Cavity, mesh_mm: float, numerics: Numerics) -> Grid:
        """Return a grid of this spacing or a little finer: the first mesh whose narrowest cell does
        not force a film into far more steps, or else the mesh that is slowed least."""
        tried: list[tuple[float, float, FilmMesh]] = []
        for part in SPACINGS:
            edge_m = part * mesh_mm * 1e-3
            points, triangles = remesh(cavity.points_m(), cavity.triangles, edge_m)
            mesh = FilmMesh.build(points, triangles[:, ::-1], min_cells=100)
            levelling = levelling_bounds(mesh)[1]
            slow = float(levelling.max() / np.median(levelling))
            tried.append((slow, part * mesh_mm, mesh))
            if slow < SLOW:
                break
        _, found_mm, mesh = min(tried, key=lambda one: one[0])
        return Grid(mesh, WallWeights.of(mesh), found_mm, numerics)


def film_work(lanes: int, cells: float, numerics: Numerics, executor: Executor | None) -> float:
    """Return the cost of films in arbitrary units. It grows with the number of cells and with the
    number of steps, which also grows with the cells. Idle lanes cost as much as busy ones."""
    threads = 1 if executor else THREADS
    abreast = lanes_for(lanes, threads)
    busy = max(abreast * threads, lanes) * (FEW_WORK if abreast == LANES // 2 else 1.0)
    work = {COARSE.cap_ratio: 1.0, POLISH.cap_ratio: POLISH_WORK}.get(numerics.cap_ratio, FINE_WORK)
    return float(busy * cells**1.5 * work)


def films(
    grid: Grid,
    batch: Sequence[Coat],
    threads: int,
    rim_open: bool = False,
    halt: Callable[[], bool] | None = None,
) -> Array:
    """Return films in metres, (coats, cells). It is a plain function, so any executor can run
    it."""
    found = coats(
        grid.mesh, batch, rim_open=rim_open, numerics=grid.numerics, threads=threads, halt=halt
    )
    return np.array([one.film_m for one in found])


def run_over(grid: Grid, pour: Pour, recipes: Sequence[Recipe], rounds: int) -> tuple[Array, Array]:
    """Return the films (k, cells) and the volumes that run over (k,), m3, with an open mouth. The
    latter are poured in addition, so that about the wanted volume stays. Raises InputError if the
    mould cannot hold the pour.
    """
    spilt = np.full(len(recipes), pour.spilt_m3)
    for _ in range(rounds):
        lanes = [
            replace(pour, spilt_m3=float(more)).coat(recipe, AS_PLANNED, None)
            for recipe, more in zip(recipes, spilt, strict=True)
        ]
        found = films(grid, lanes, THREADS, pour.open)
        poured = pour.volume_m3 + spilt
        stayed = found @ grid.weights.area
        spilt_now = poured - stayed
        # The share that runs over changes slowly with the volume poured.
        spilt = pour.volume_m3 * spilt_now / np.maximum(stayed, 0.05 * poured)
    return found, spilt_now


class OutOfTime(Exception):
    """The budget is spent; the best so far counts."""


@dataclass
class Budget:
    """Time that may be spent, in s. Work that would take longer than the remaining time is not
    begun; work that takes longer than expected is stopped."""

    clock: Clock = field(default_factory=SystemClock)
    ends_s: float = math.inf
    pace: float = 0.0  # seconds for a unit of work, as last measured
    kept: float = 0.0  # work for which time is reserved

    def covers(self, work: float) -> bool:
        return self._left_s() >= self.pace * work

    def over(self) -> bool:
        return self._left_s() < 0.0

    def left_s(self) -> float | None:
        """Return the seconds left, or None if there is no limit."""
        return None if math.isinf(self.ends_s) else max(0.0, self._left_s())

    def _left_s(self) -> float:
        return self.ends_s - self.clock.now_s() - self.pace * self.kept

    @contextmanager
    def spend(self, work: float) -> Iterator[None]:
        """Time the work. Raises OutOfTime if it does not fit in the budget or was stopped."""
        if not self.covers(work):
            raise OutOfTime
        started_s = self.clock.now_s()
        try:
            yield
        except (Halted, TimeoutError) as why:
            raise OutOfTime from why
        self.pace = (self.clock.now_s() - started_s) / work


@dataclass
class Walls:
    """Films of recipes on one grid, each computed once, here or by the executor."""

    grid: Grid
    pour: Pour
    executor: Executor | None = None
    budget: Budget = field(default_factory=lambda: Budget())
    known: dict[tuple[Recipe, Day], Array] = field(default_factory=dict)

    def of(self, wanted: Sequence[tuple[Recipe, Day]]) -> Array:
        """Return films of (recipe, day) pairs, shape (pairs, cells)."""
        missing = list(dict.fromkeys(pair for pair in wanted if pair not in self.known))
        step = LANES * THREADS if self.executor is None else len(missing)
        for k in range(0, len(missing), max(1, step)):
            part = missing[k : k + step]
            with self.budget.spend(self.work(len(part))):
                self.known.update(zip(part, self._made(part), strict=True))
        return np.array([self.known[pair] for pair in wanted])

    def work(self, lanes: int) -> float:
        """See `film_work`."""
        return film_work(lanes, self.grid.mesh.cells, self.grid.numerics, self.executor)

    def _made(self, part: Sequence[tuple[Recipe, Day]]) -> list[Array]:
        pour, cells = self.pour, self.grid.mesh.cells
        # The overflow of an open mouth depends on the pool; otherwise an even start is as good.
        even = cells if self.grid.numerics is COARSE and not pour.open else None
        lanes = [pour.coat(recipe, day, even) for recipe, day in part]
        if self.executor is None:
            halt = None if math.isinf(self.budget.ends_s) else self.budget.over
            return list(films(self.grid, lanes, THREADS, pour.open, halt))
        batches = [lanes[k : k + LANES] for k in range(0, len(lanes), LANES)]
        jobs = [self.executor.submit(films, self.grid, batch, 1, pour.open) for batch in batches]
        try:
            return [film for job in jobs for film in job.result(self.budget.left_s())]
        finally:
            for job in jobs:
                job.cancel()  # does nothing to a finished job
