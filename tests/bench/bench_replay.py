"""A proven casting repeated in a colder and a warmer shop: by cure, and by the clock alone.

Three coats on a lumpy open pot of some 2,000 cells, proven at 21 degC. For each shop: the
deviations of the wall's thinnest patch, mean, rim and 5th percentile from the proven run's, in per
cent, and the root mean square of the difference over the wall, in per cent of the mean. The clock
alone is shown twice: stopping when the proven run stopped, and turning on until the coat has
gelled.
"""

from __future__ import annotations

import numpy as np

from evenwall.model import CoatPlan, Ramp
from evenwall.numerics import film
from evenwall.planning.batch import viscosity_table
from evenwall.run import replay
from tests.run.replays import (
    SHOP_DEGC,
    Floats,
    a_plan,
    a_proven_run,
    film_coat,
    history,
    lumpy_pot,
)

SHOPS_K = (-6.0, -3.0, 3.0, 6.0)
SPACING = 0.0755  # of the mesh, over the pot's radius


def main() -> None:
    mesh = lumpy_pot(SPACING)
    plan, run = a_plan(), a_proven_run()
    kin = replay.kinetics_of(plan.casting)
    to_rest = Ramp(leg="stop", duration_s=3.0, major_rpm=0.0, minor_rpm=0.0)

    def by_clock(coat: CoatPlan, degrees: float, ramps: tuple[Ramp, ...]) -> film.Coat:
        was = run.coats[coat.coat - 1]
        cured = history(plan.casting, kin, coat, was.poured_s, SHOP_DEGC + degrees)
        today = coat.model_copy(update={"viscosity": viscosity_table(cured)})
        return film_coat(mesh, plan, today, ramps, was.spin_from_s)

    walls: dict[tuple[str, float], list[film.Coat]] = {
        ("proven", 0.0): [
            film_coat(mesh, plan, c, c.ramps, c.clock.spin_from_s) for c in plan.coats
        ]
    }
    for degrees in SHOPS_K:
        warm = SHOP_DEGC + degrees
        again = replay.plan_today(plan, run, warm, warm, kin).coats
        walls["by cure", degrees] = [
            film_coat(mesh, plan, now, now.ramps, now.clock.spin_from_s) for now in again
        ]
        if degrees == max(SHOPS_K):  # a person is too slow there: the result if the person were not
            again = replay.plan_today(plan, run, warm, warm, kin, by_hand_s=0.0).coats
            walls["by cure, poured in time", degrees] = [
                film_coat(mesh, plan, now, now.ramps, now.clock.spin_from_s) for now in again
            ]
        walls["by the clock, to the gel", degrees] = [
            by_clock(coat, degrees, coat.ramps) for coat in plan.coats
        ]
        walls["by the clock, stopping then", degrees] = [
            by_clock(coat, degrees, (*coat.ramps, to_rest)) for coat in plan.coats
        ]
    films = iter(film.coats(mesh, [coat for coats in walls.values() for coat in coats]))
    weights = film.WallWeights.of(mesh)
    total = {key: sum(next(films).film_m for _ in coats) for key, coats in walls.items()}

    def figures(wall: Floats) -> Floats:
        found = weights.statistics(wall)
        return np.array([found.min, found.mean, found.rim, found.p05])

    proven = total["proven", 0.0]
    wanted = figures(proven)
    print(f"{mesh.cells} cells; proven at {SHOP_DEGC:g} degC, mm: ", end="")
    print("min {:.2f}, mean {:.2f}, rim {:.2f}, 5th percentile {:.2f}".format(*wanted * 1e3))
    print(f"{'':28s}shop     min    mean     rim     5th     rms   (percent)")
    for (how, degrees), wall in total.items():
        if how == "proven":
            continue
        off = 100.0 * (figures(wall) / wanted - 1.0)
        rms = 100.0 * np.sqrt(mesh.area @ (wall - proven) ** 2 / mesh.total_area) / wanted[1]
        print(f"{how:28s}{degrees:+3.0f} K", *(f"{x:+7.1f}" for x in (*off, rms)))


if __name__ == "__main__":
    main()
