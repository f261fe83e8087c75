"""Film flow on a triangle mesh: how a poured coat spreads, drains and sets as the mould turns.

    dh/dt + div q = 0,   q = K h^3 grad P,   K = rho g/(3 mu(t)),
    grad P = g_t + (g.n) grad h + grad(|w x r|^2/2g) + (sigma/rho g) grad(lap h + k1 + k2)

Lubrication theory (Reynolds 1886; thin films on curved walls: Roy, Roberts and Simpson 2002,
J. Fluid Mech. 454:235), with gravity's direction g, whose normal part g.n levels or destabilises
the film, the spin's centrifugal potential, and capillarity. Here h is the resin's volume per wall
area.

Validity. h is small against the wall's radius of curvature R (the terms left out are of order h/R,
and so is the difference between h and the thickness along the normal). The film's slope is well
below one, and inertia is small, rho U h^2/(mu L) << 1. The Coriolis force 2 W U/g and the Euler
force W1 W2 R/g are left out: they are below 0.2 % of gravity at 10 rpm, 2 rpm and R = 0.1 m, and
have zero mean over a turn. A pool is outside the theory: its mobility is capped
(Numerics.cap_ratio).
"""

from __future__ import annotations

from collections.abc import Sequence

from evenwall.numerics.film import compiled
from evenwall.numerics.film.compiled import LANES, have_compiler, lanes_for
from evenwall.numerics.film.inputs import Coat, FilmResult, Fluid, Halt, Halted, Numerics, Spin
from evenwall.numerics.film.mesh import FilmMesh
from evenwall.numerics.film.start import pool
from evenwall.numerics.film.statistics import (
    WallStatistics,
    WallWeights,
    mesh_error,
    narrow_share,
)
from evenwall.numerics.native import NoCompiler

__all__ = [
    "LANES",
    "Coat",
    "FilmMesh",
    "FilmResult",
    "Fluid",
    "Halted",
    "Numerics",
    "Spin",
    "WallStatistics",
    "WallWeights",
    "coat",
    "coats",
    "have_compiler",
    "lanes_for",
    "mesh_error",
    "narrow_share",
    "pool",
]


def coat(
    mesh: FilmMesh, one: Coat, *, rim_open: bool = False, numerics: Numerics | None = None
) -> FilmResult:
    """Compute one coat with the plain reference, which needs numba (the extra `evenwall[numba]`).

    Raises NoCompiler without it and InputError for bad input. Raises NotConverged, with the mass
    error and the step count, when the film does not stay finite or takes more than
    `numerics.max_steps`.
    """
    try:
        from evenwall.numerics.film import reference
    except ModuleNotFoundError as missing:
        if missing.name != "numba":
            raise
        raise NoCompiler(
            "the film needs a C compiler or numba, and neither is installed: install gcc and "
            "libc6-dev, or evenwall[numba]"
        ) from None

    return reference.run(mesh, one, rim_open=rim_open, numerics=numerics or Numerics())


def coats(
    mesh: FilmMesh,
    many: Sequence[Coat],
    *,
    rim_open: bool = False,
    numerics: Numerics | None = None,
    threads: int = 1,
    halt: Halt | None = None,
) -> list[FilmResult]:
    """Compute many coats on one mesh with the compiled kernel, several at a time (see
    `lanes_for`). The results mean the same as those of `coat`.

    halt: called ten times a second; Halted is raised soon after it returns true.

    Without a C compiler the reference does the work, ten times slower;
    `native.why_no_compiler()` gives the reason as a sentence.
    """
    rules = numerics or Numerics()
    if have_compiler():
        return compiled.run_batch(
            mesh, many, rim_open=rim_open, numerics=rules, threads=threads, halt=halt
        )
    found = []
    for one in many:
        if halt and halt():
            raise Halted
        found.append(coat(mesh, one, rim_open=rim_open, numerics=rules))
    return found
