"""The film on a turning cylinder against general tools for such equations, at equal error.

python -m tests.bench film_tools
"""

from __future__ import annotations

import itertools

from tests.bench import cylinder


def against_general_tools() -> None:
    n = 128
    cylinder.ours(n)
    film, ours_s = min((cylinder.ours(n) for _ in range(3)), key=lambda run: run[1])
    alone_s = min(cylinder.ours(n, lanes=1)[1] for _ in range(3))
    reached = cylinder.error(film)
    print(
        f"film on a turning cylinder, {cylinder.TURNS} turns, {n} cells round: ours "
        f"{ours_s * 1e3:.2f} ms a profile when {cylinder.LANES} run at once, "
        f"{alone_s * 1e3:.1f} ms alone, L2 error {reached:.1e}"
    )
    for method in ("BDF", "LSODA"):
        good = []
        for cells, tolerance in itertools.product((96, 128, 160), (1e-4, 3e-5, 1e-5, 1e-6)):
            film, taken_s = cylinder.lines(method, cells, tolerance)
            if cylinder.error(film) <= reached:
                good.append((taken_s, cells, cylinder.error(film)))
        tell(f"scipy {method}, method of lines", *min(good), ours_s, alone_s)
    cylinder.pde(16, 1e-3)
    for cells, tolerance in ((128, 1e-5), (160, 1e-5), (192, 1e-6)):
        film, taken_s = cylinder.pde(cells, tolerance)
        if cylinder.error(film) <= reached:
            break
    tell("py-pde", taken_s, cells, cylinder.error(film), ours_s, alone_s)
    film, taken_s = cylinder.fipy(n, 60)
    tell("FiPy, first order in time", taken_s, n, cylinder.error(film), ours_s, alone_s)


def tell(
    name: str, taken_s: float, cells: int, error: float, ours_s: float, alone_s: float
) -> None:
    print(
        f"  {name}: {taken_s * 1e3:.0f} ms, {cells} cells, error {error:.1e}: ours is "
        f"{taken_s / ours_s:.0f} times faster a profile in batches, {taken_s / alone_s:.1f} alone",
        flush=True,
    )


def main() -> None:
    against_general_tools()


if __name__ == "__main__":
    main()
