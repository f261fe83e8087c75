"""Heat that earlier coats leave in the mould, and what it does to the gel of the next ones."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from evenwall.model import Casting
from evenwall.numerics import cure, heat
from evenwall.planning.batch import CLOSE_UP_S, Batch
from evenwall.units import kelvin, metres

# A gel this near to the first coat's changes no wall that the worst days (gel 10 % early) cover.
EVEN_SHARE = 0.05
WAITS = 6  # the waits that are tried within the bonding window
STEPS_A_GEL = 300  # 2 s or coarser


@dataclass(frozen=True)
class CoatHeat:
    """One coat as it meets the mould.

    wall_warmer_K: the wall's inner face over the mould's temperature at the start; gel_min: from
    its own mixing; gel_earlier: the share of the first coat's gel by which it comes earlier.
    """

    coat: int
    wall_warmer_K: float
    gel_min: float
    gel_earlier: float


def heat_between_coats(
    casting: Casting,
    kin: cure.Kinetics,
    batch: Batch,
    coats: int,
    shop_degC: float,
    mould_degC: float,
) -> dict[str, Any]:
    """Return what the plan says of this heat: coats poured as soon as allowed, and a longer wait.

    `as_soon_as_allowed`: a CoatHeat per coat, each poured at its predecessor's next_pour_from_s;
    `even_from_min`: the shortest wait, from one coat's mixing to the next pour, after which every
    gel comes within EVEN_SHARE of the first coat's, or None where no wait within the bonding window
    does; `after_waiting`: the coats for that wait, or else for the longest. Minutes on the clock
    of the earlier coat.
    """
    clock = batch.clock
    room_K, mould_K = kelvin(shop_degC), kelvin(mould_degC)
    wall = heat.Wall(
        metres(casting.mould.wall_mm),
        cure.wall_material(casting.mould.material),
        mould_K,
        room_K,
    )
    first = clock.next_pour_from_s
    soon = _coats(kin, wall, batch, coats, first)
    wait_s, later = first, soon
    for wait in np.linspace(first, clock.next_pour_until_s, WAITS + 1)[1:]:
        if _even(later):
            break
        wait_s = float(wait)
        later = _coats(kin, wall, batch, coats, wait_s)
    return {
        "as_soon_as_allowed": [asdict(one) for one in soon],
        "even_from_min": round(wait_s / 60.0, 1) if _even(later) else None,
        "waited_min": round(wait_s / 60.0, 1),
        "after_waiting": [asdict(one) for one in later],
    }


def _even(coats: list[CoatHeat]) -> bool:
    return all(abs(one.gel_earlier) <= EVEN_SHARE for one in coats)


def _coats(
    kin: cure.Kinetics, wall: heat.Wall, batch: Batch, coats: int, wait_s: float
) -> list[CoatHeat]:
    """Return every coat, each poured `wait_s` after the mixing of the one before."""
    history, clock = batch.history, batch.clock
    in_cup_s = clock.spin_from_s - CLOSE_UP_S  # from mixing to the end of the pour
    ages = cure.equivalent_age_s(history.time_s, history.temp_K, kin.activation_J_mol, kin.ref_K)
    temp_K, conversion, age_s = (
        float(np.interp(in_cup_s, history.time_s, field))
        for field in (history.temp_K, history.conversion, ages)
    )
    apart_s = wait_s - in_cup_s  # a pour ends `wait_s` after the mixing of the coat before
    pours = [
        heat.Poured(k * apart_s, metres(batch.mean_mm), temp_K, conversion, age_s)
        for k in range(coats)
    ]
    end_s = pours[-1].at_s + 2.0 * clock.gel_expected_s
    dt_s = max(2.0, clock.gel_expected_s / STEPS_A_GEL)
    found = heat.coats_on_wall(kin, wall, pours, end_s, dt_s=dt_s)
    said, gel_first = [], math.nan
    for k, pour in enumerate(pours):
        gel_s = found.gel_s(k, float(kin.alpha_gel)) - pour.at_s + in_cup_s
        gel_first = gel_s if k == 0 else gel_first
        at = int(np.searchsorted(found.time_s, pour.at_s))
        warmer = float(found.wall_K[max(at - 1, 0)]) - wall.mould_K
        said.append(
            CoatHeat(
                k + 1, round(warmer, 1), round(gel_s / 60.0, 1), round(1.0 - gel_s / gel_first, 3)
            )
        )
    return said


def heat_caution(said: dict[str, Any]) -> list[str]:
    """Return one sentence where a next coat gels earlier than its clock says, else none."""
    soon, later = said["as_soon_as_allowed"], said["after_waiting"]
    worst = max(soon, key=lambda one: float(one["gel_earlier"]))
    if worst["gel_earlier"] <= EVEN_SHARE:
        return []
    left = max(float(one["gel_earlier"]) for one in later)
    return [
        f"Earlier coats warm the mould. Coat {worst['coat']}, poured as soon as allowed, meets a "
        f"wall {worst['wall_warmer_K']:.0f} K warmer and gels about {worst['gel_earlier']:.0%} "
        f"earlier than its clock says. After a wait of {said['waited_min']:.0f} min per coat it "
        f"is {left:.0%}. The spins do not allow for this: let the mould cool, and touch the cup "
        "early."
    ]
