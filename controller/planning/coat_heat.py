"""Heat that earlier coats leave in the mould, and the coats timed on the wall that it warms.

The wall and all coats are followed in one dimension (`numerics.heat`). A coat is then timed, and
its viscosity taken, as if it met a mould of one temperature throughout: the one at which it gels
when it gels on the real wall, warmest inside, over coats that are still curing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq

from evenwall.model import Casting
from evenwall.numerics import cure, heat
from evenwall.planning.batch import CLOSE_UP_S, Batch
from evenwall.planning.rests import RestOutlook
from evenwall.units import degC, kelvin, metres

# A gel this near to the first coat's changes no wall that the worst days (gel 10 % early) cover.
EVEN_SHARE = 0.05
STEPS_A_GEL = 300  # 2 s or coarser
MET_K = 0.05  # of the mould that is met: 0.05 % of the gel
COOLEST_K, WARMEST_K, WARMEST_degC = -5.0, 35.0, 59.0  # where the mould that is met is looked for


@dataclass(frozen=True)
class OnWall:
    """A coat that is laid: in_cup_s from its mixing to its pour's end, next_s to the next one's."""

    mean_mm: float
    in_cup_s: float
    next_s: float


@dataclass(frozen=True)
class CoatHeat:
    """One coat as it meets the mould.

    wall_warmer_K: the wall's inner face over the mould's temperature at the start; met_K: by how
    much a mould of one temperature would be warmer for the same gel; gel_s: from its own mixing;
    gel_earlier: the share of a first coat's gel by which it comes earlier.
    """

    coat: int
    wall_warmer_K: float
    met_K: float
    gel_s: float
    gel_earlier: float


@dataclass(frozen=True)
class Series:
    """Coats in order, each timed on the wall as those before it leave it."""

    rest: float
    batches: tuple[Batch, ...]
    heats: tuple[CoatHeat, ...]

    @property
    def even(self) -> bool:
        """Whether every gel comes within EVEN_SHARE of the first coat's."""
        return all(abs(one.gel_earlier) <= EVEN_SHARE for one in self.heats)

    @property
    def pours_min(self) -> float:
        """From the first of these coats' mixing to the last one's pour, in minutes."""
        waits = (one.clock.next_pour_from_s for one in self.batches[:-1])
        in_cups = (one.clock.spin_from_s - CLOSE_UP_S for one in self.batches[1:])
        return (sum(waits) - sum(in_cups)) / 60.0


def wall_of(casting: Casting, shop_degC: float, mould_degC: float) -> heat.Wall:
    """The casting's mould wall as the heat model needs it."""
    return heat.Wall(
        metres(casting.mould.wall_mm),
        cure.wall_material(casting.mould.material),
        kelvin(mould_degC),
        kelvin(shop_degC),
    )


def warm_series(
    kin: cure.Kinetics,
    wall: heat.Wall,
    warmed: Callable[[float], Batch],
    coats: int,
    laid: Sequence[OnWall],
    rest: float,
) -> Series:
    """Time so many coats on top of those laid, one after another.

    warmed: the batch on a mould that is warmer by so many kelvin. Every coat is poured when the one
    before it allows, on its own warm clock.
    """
    cold = warmed(0.0)
    on_wall, batches, heats = list(laid), [], []
    alone_s, _ = _gel(kin, wall, cold, [], cold.mean_mm)
    for _ in range(coats):
        batch, found = cold, CoatHeat(len(on_wall) + 1, 0.0, 0.0, cold.clock.gel_expected_s, 0.0)
        if on_wall:
            gel_s, warmer_K = _gel(kin, wall, cold, on_wall, cold.mean_mm)
            share = gel_s / alone_s
            met_K = _as_if(warmed, share * cold.clock.gel_expected_s, degC(wall.mould_K))
            batch = warmed(met_K)
            found = CoatHeat(
                len(on_wall) + 1, warmer_K, met_K, batch.clock.gel_expected_s, 1.0 - share
            )
        batches.append(batch)
        heats.append(found)
        clock = batch.clock
        in_cup_s = clock.spin_from_s - CLOSE_UP_S
        on_wall.append(OnWall(batch.mean_mm, in_cup_s, clock.next_pour_from_s))
    return Series(rest, tuple(batches), tuple(heats))


def _as_if(warmed: Callable[[float], Batch], gel_s: float, mould_degC: float) -> float:
    """By how much a mould of one temperature must be warmer for a coat to gel at `gel_s`."""

    def late(warmer_K: float) -> float:
        return warmed(warmer_K).clock.gel_expected_s / gel_s - 1.0

    high_K = min(WARMEST_K, WARMEST_degC - mould_degC)
    if late(high_K) >= 0.0:
        return high_K
    return 0.0 if late(COOLEST_K) <= 0.0 else float(brentq(late, COOLEST_K, high_K, xtol=MET_K))


def _gel(
    kin: cure.Kinetics,
    wall: heat.Wall,
    batch: Batch,
    on_wall: Sequence[OnWall],
    mean_mm: float,
) -> tuple[float, float]:
    """Return a coat's gel on top of those on the wall, in s from its mixing, and by how much the
    wall's inner face is warmer then, in K."""
    history, in_cup_s = batch.history, batch.clock.spin_from_s - CLOSE_UP_S
    ages = cure.equivalent_age_s(history.time_s, history.temp_K, kin.activation_J_mol, kin.ref_K)
    pours, at_s = [], 0.0
    coats = [*on_wall, OnWall(mean_mm, in_cup_s, 0.0)]
    for one in coats:
        temp_K, conversion, age_s = (
            float(np.interp(one.in_cup_s, history.time_s, field))
            for field in (history.temp_K, history.conversion, ages)
        )
        pours.append(heat.Poured(at_s, metres(one.mean_mm), temp_K, conversion, age_s))
        at_s += one.next_s - one.in_cup_s  # a pour ends `next_s` after the mixing of the one before
    dt_s = max(2.0, batch.clock.gel_expected_s / STEPS_A_GEL)
    end_s = pours[-1].at_s + 1.5 * batch.clock.gel_expected_s
    found = heat.coats_on_wall(kin, wall, pours, end_s, dt_s=dt_s)
    gel_s = found.gel_s(len(pours) - 1, float(kin.alpha_gel)) - pours[-1].at_s + in_cup_s
    at = int(np.searchsorted(found.time_s, pours[-1].at_s))
    return gel_s, float(found.wall_K[max(at - 1, 0)]) - wall.mould_K


def heat_detail(
    soon: Series, chosen: Series, rests: Sequence[RestOutlook], why: str
) -> dict[str, Any]:
    """Return what a plan keeps of this heat: the coats as soon as allowed and as they are planned.

    rests: what each rest that was compared promises; why: the reason for the one planned.
    """
    return {
        "as_soon_as_allowed": _rows(soon),
        "waited_min": round(chosen.batches[0].clock.next_pour_from_s / 60.0, 1),
        "after_waiting": _rows(chosen),
        "rest": chosen.rest,
        "rests": [
            {
                "rest": one.rest,
                "longer_min": round(one.longer_min, 1),
                "min_over_mean": round(one.thinnest, 3),
            }
            for one in rests
        ],
        "why": why,
    }


def _rows(series: Series) -> list[dict[str, float]]:
    return [
        {
            "coat": one.coat,
            "wall_warmer_K": round(one.wall_warmer_K, 1),
            "gel_min": round(one.gel_s / 60.0, 1),
            "gel_earlier": round(one.gel_earlier, 3),
        }
        for one in series.heats
    ]


def heat_caution(said: dict[str, Any]) -> list[str]:
    """Return what a person must know where a later coat gels clearly earlier, else none."""
    worst = max(said["after_waiting"], key=lambda one: float(one["gel_earlier"]))
    if worst["gel_earlier"] <= EVEN_SHARE:
        return []
    why = f" {said['why']}" if said["why"] else ""
    return [
        f"Earlier coats warm the mould. Coat {worst['coat']} meets a wall "
        f"{worst['wall_warmer_K']:.0f} K warmer and gels about {worst['gel_earlier']:.0%} earlier "
        f"than a first coat; its clock and its spin allow for that.{why} Pour each coat when its "
        "clock begins to allow it: poured later it meets a cooler wall and gels later than planned."
    ]
