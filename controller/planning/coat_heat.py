"""Heat that earlier coats leave in the mould, and the clocks of coats on the warmed wall.

The wall and all coats are computed in one dimension (`numerics.heat`). A coat is then timed, and
its viscosity taken, as if the whole mould had one temperature. At that temperature the coat would
gel at the same time as on the real wall, which is warmest inside, where earlier coats still cure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from evenwall.errors import PlanError
from evenwall.model import Casting
from evenwall.numerics import cure, heat
from evenwall.planning.batch import CLOSE_UP_S, Batch
from evenwall.units import degC, kelvin, metres, percent

if TYPE_CHECKING:
    from evenwall.planning.rests import RestOutlook  # loads the film, which a service does not

# A gel this near to the first coat's is covered by the worst days (gel 10 % early).
EVEN_SHARE = 0.05
STEPS_A_GEL = 300  # 2 s or coarser
MET_K = 0.05  # of the equivalent mould's temperature: 0.05 % of the gel
COOLEST_K, WARMEST_K, WARMEST_degC = -5.0, 35.0, 59.0  # range searched for the equivalent


@dataclass(frozen=True)
class OnWall:
    """A coat on the wall. in_cup_s: time from its mixing to the end of its pour. next_s: time to
    the end of the next coat's pour."""

    mean_mm: float
    in_cup_s: float
    next_s: float


@dataclass(frozen=True, eq=False)
class Coming:
    """The next coat: its cure on a mould of one temperature, and in_cup_s to the end of its
    pour."""

    mean_mm: float
    history: cure.CureHistory
    in_cup_s: float

    @property
    def gel_s(self) -> float:
        """Return its gel time on that mould, from its own mixing."""
        return cure.gel_time_s(self.history)


@dataclass(frozen=True)
class CoatHeat:
    """State of one coat when it is poured into the mould.

    wall_warmer_K: temperature of the wall's inner face over the mould's at the start. met_K:
    warming of a mould of one temperature that gives the same gel. gel_s: time to gel from the
    coat's own mixing. gel_earlier: how much earlier it gels, as a share of a first coat's time.
    """

    coat: int
    wall_warmer_K: float
    met_K: float
    gel_s: float
    gel_earlier: float


@dataclass(frozen=True)
class Series:
    """Coats in order, each timed on the wall that the coats before it have warmed."""

    rest: float
    batches: tuple[Batch, ...]
    heats: tuple[CoatHeat, ...]

    @property
    def even(self) -> bool:
        """Return whether every gel time is within EVEN_SHARE of the first coat's."""
        return all(abs(one.gel_earlier) <= EVEN_SHARE for one in self.heats)

    @property
    def pours_min(self) -> float:
        """Return the time from the first coat's mixing to the last coat's pour, in minutes."""
        waits = (one.clock.next_pour_from_s for one in self.batches[:-1])
        in_cups = (one.clock.spin_from_s - CLOSE_UP_S for one in self.batches[1:])
        return (sum(waits) - sum(in_cups)) / 60.0


def wall_of(casting: Casting, shop_degC: float, mould_degC: float) -> heat.Wall:
    """Return the casting's mould wall for the heat model."""
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
    heat_power: float = 1.0,
) -> Series:
    """Time a number of coats on top of those on the wall, one after another.

    warmed: function that returns the batch on a mould that is warmer by the given kelvin. Each coat
    is poured as soon as its predecessor allows, and has its own clock on the warm wall. heat_power:
    of the ratio of its gel to a first coat's, 1 unless measured castings showed another.
    """
    cold = warmed(0.0)
    coming = Coming(cold.mean_mm, cold.history, cold.clock.spin_from_s - CLOSE_UP_S)
    on_wall, batches, heats = list(laid), [], []
    alone_s, _ = _gel(kin, wall, coming, [])
    for _ in range(coats):
        batch, found = cold, CoatHeat(len(on_wall) + 1, 0.0, 0.0, cold.clock.gel_expected_s, 0.0)
        if on_wall:
            gel_s, warmer_K = _gel(kin, wall, coming, on_wall)
            share = (gel_s / alone_s) ** heat_power

            def gel_on(warmer_K: float) -> float:
                return warmed(warmer_K).clock.gel_expected_s

            met_K = _as_if(gel_on, share * cold.clock.gel_expected_s, degC(wall.mould_K))
            batch = warmed(met_K)
            found = CoatHeat(
                len(on_wall) + 1, warmer_K, met_K, batch.clock.gel_expected_s, 1.0 - share
            )
        _check_turns(found.coat, batch)
        batches.append(batch)
        heats.append(found)
        clock = batch.clock
        in_cup_s = clock.spin_from_s - CLOSE_UP_S
        on_wall.append(OnWall(batch.mean_mm, in_cup_s, clock.next_pour_from_s))
    return Series(rest, tuple(batches), tuple(heats))


def _check_turns(coat: int, batch: Batch) -> None:
    """Raise PlanError where a coat gels on the warm wall before it can turn."""
    clock = batch.clock
    if clock.gel_expected_s <= clock.spin_from_s:
        raise PlanError(
            "coats",
            coat,
            f"the wall is {batch.warmer_K:.0f} K warmer then, and the coat gels "
            f"{clock.gel_expected_s:.0f} s after mixing, before it can turn at "
            f"{clock.spin_from_s:.0f} s",
            hint="ask for fewer coats, cool the shop, or take a slower resin",
        )


def met_K(
    kin: cure.Kinetics,
    wall: heat.Wall,
    coming: Coming,
    on_wall: Sequence[OnWall],
    gel_on: Callable[[float], float],
) -> float:
    """Return the warming (K) of a mould of one temperature on which the next coat gels at the same
    time as on the coats on the wall.

    gel_on: function that returns its gel time, in s from its mixing, on a mould that is warmer by
    the given kelvin.
    """
    if not on_wall:
        return 0.0
    share = _gel(kin, wall, coming, on_wall)[0] / _gel(kin, wall, coming, [])[0]
    return _as_if(gel_on, share * coming.gel_s, degC(wall.mould_K))


def _as_if(gel_on: Callable[[float], float], gel_s: float, mould_degC: float) -> float:
    """Return the warming (K) of a mould of one temperature on which a coat gels at `gel_s`."""

    from scipy.optimize import brentq

    def late(warmer_K: float) -> float:
        return gel_on(warmer_K) / gel_s - 1.0

    high_K = min(WARMEST_K, WARMEST_degC - mould_degC)
    if late(high_K) >= 0.0:
        return high_K
    return 0.0 if late(COOLEST_K) <= 0.0 else float(brentq(late, COOLEST_K, high_K, xtol=MET_K))


def _gel(
    kin: cure.Kinetics, wall: heat.Wall, coming: Coming, on_wall: Sequence[OnWall]
) -> tuple[float, float]:
    """Return a coat's time to gel on top of the coats on the wall, in s from its mixing, and the
    warming of the wall's inner face at that time, in K."""
    history = coming.history
    ages = cure.equivalent_age_s(history.time_s, history.temp_K, kin.activation_J_mol, kin.ref_K)
    pours, at_s = [], 0.0
    coats = [*on_wall, OnWall(coming.mean_mm, coming.in_cup_s, 0.0)]
    for one in coats:
        temp_K, conversion, age_s = (
            float(np.interp(one.in_cup_s, history.time_s, field))
            for field in (history.temp_K, history.conversion, ages)
        )
        pours.append(heat.Poured(at_s, metres(one.mean_mm), temp_K, conversion, age_s))
        at_s += one.next_s - one.in_cup_s  # a pour ends `next_s` after the mixing of the one before
    dt_s = max(2.0, coming.gel_s / STEPS_A_GEL)
    end_s = pours[-1].at_s + 1.5 * coming.gel_s
    found = heat.coats_on_wall(kin, wall, pours, end_s, dt_s=dt_s)
    gel_s = found.gel_s(len(pours) - 1, float(kin.alpha_gel)) - pours[-1].at_s + coming.in_cup_s
    at = int(np.searchsorted(found.time_s, pours[-1].at_s))
    return gel_s, float(found.wall_K[max(at - 1, 0)]) - wall.mould_K


def heat_detail(
    soon: Series, chosen: Series, rests: Sequence[RestOutlook], why: str
) -> dict[str, Any]:
    """Return the plan's record of this heat, for coats poured as soon as allowed and for coats
    poured as planned.

    rests: the predicted wall of each rest that was compared. why: the reason for the planned rest.
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
    """Return the caution about a later coat that gels clearly earlier, or none."""
    worst = max(said["after_waiting"], key=lambda one: float(one["gel_earlier"]))
    if worst["gel_earlier"] <= EVEN_SHARE:
        return []
    why = f" {said['why']}" if said["why"] else ""
    return [
        f"Earlier coats warm the mould. Coat {worst['coat']} meets a wall "
        f"{worst['wall_warmer_K']:.0f} K warmer and gels about "
        f"{percent(worst['gel_earlier'])} earlier than a first coat; its clock and its spin allow "
        f"for that.{why} Pour each coat as soon as its clock allows it: a coat that is poured "
        "later meets a cooler wall and gels later than planned."
    ]
