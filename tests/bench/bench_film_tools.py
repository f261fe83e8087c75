"""The film on a turning cylinder against general tools for such equations, at equal error.

Each tool may use its best number of cells and tolerance: for every wanted error, the quickest
choice that reaches it counts.

python -m tests.bench film_tools
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from tests.bench import cylinder
from tests.bench.cylinder import Timed

# The second is the film's error on a whole ball in cells of 4 mm (tests/numerics).
WANTED = (3e-3, 1e-3, 3e-4, 1e-4)
CELLS = (24, 28, 32, 36, 40, 44, 48, 56, 64, 80, 96, 112, 128, 144, 160)
TOLERANCES = (1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 3e-5, 1e-5)


@dataclass(frozen=True, order=True)
class Choice:
    taken_s: float
    cells: int
    how: float
    error: float


def choices(work: Callable[[int, float], Timed], how: Iterable[float], times: int) -> list[Choice]:
    """Return every number of cells with every tolerance (or step), with the best of several
    times."""
    found = []
    for n, h in itertools.product(CELLS, how):
        film, taken_s = min((work(n, h) for _ in range(times)), key=lambda run: run[1])
        found.append(Choice(taken_s, n, h, cylinder.error(film)))
    return found


def quickest(found: list[Choice], error: float) -> Choice:
    return min(c for c in found if c.error <= error)


def against_general_tools() -> None:
    cylinder.ours(24)
    batch = choices(lambda n, cfl: cylinder.ours(n, cfl=cfl), (0.7, 0.85, 1.0, 1.15), 2)
    sixteen = choices(lambda n, cfl: cylinder.ours(n, cylinder.LANES, cfl), (0.7, 1.0), 3)
    alone = choices(lambda n, cfl: cylinder.ours(n, 1, cfl), (0.7, 1.0), 3)
    others = {
        f"scipy {method}, method of lines": choices(
            lambda n, tolerance, m=method: cylinder.lines(m, n, tolerance), TOLERANCES, times
        )
        for method, times in (("LSODA", 3), ("BDF", 1))
    }
    for error in WANTED:
        best = quickest(batch, error)
        print(
            f"film on a turning cylinder, {cylinder.TURNS} turns, L2 error {error:g}: ours "
            f"{best.taken_s * 1e3:.3f} ms a profile of {cylinder.BATCH}, {best.cells} cells"
        )
        for name, found in others.items():
            tell(
                name, quickest(found, error), best, quickest(sixteen, error), quickest(alone, error)
            )
    best, least, one = (quickest(found, 1e-3) for found in (batch, sixteen, alone))
    cylinder.pde(16, 1e-3)
    for cells in (48, 64, 80):
        film, taken_s = cylinder.pde(cells, 1e-4)
        if cylinder.error(film) <= 1e-3:
            break
    tell("py-pde", Choice(taken_s, cells, 1e-4, cylinder.error(film)), best, least, one)
    film, taken_s = cylinder.fipy(64, 60)
    worse = Choice(taken_s, 64, 60, cylinder.error(film))
    tell("FiPy, first order in time, to no better than its own error", worse, best, least, one)


def tell(name: str, other: Choice, batch: Choice, sixteen: Choice, alone: Choice) -> None:
    print(
        f"  {name}: {other.taken_s * 1e3:.1f} ms, {other.cells} cells, error {other.error:.1e}: "
        f"ours is {other.taken_s / batch.taken_s:.0f} times faster a profile in large batches, "
        f"{other.taken_s / sixteen.taken_s:.0f} of sixteen, {other.taken_s / alone.taken_s:.1f} "
        "alone",
        flush=True,
    )


def main() -> None:
    against_general_tools()


if __name__ == "__main__":
    main()
