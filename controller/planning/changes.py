"""Compare changes of a casting by what each would do for the thinnest place of its wall.

The film spreads along a path of rho g h^2 t_gel/(3 mu0), so a mix half as thick acts like one that
takes twice as long to gel. A coat more makes every coat thinner, and its path shorter. A mounting
decides which spins are possible. At sharp edges surface tension draws the resin away.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from evenwall.errors import EvenwallError
from evenwall.geometry.easing import eased
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import Casting, RigSpec
from evenwall.planning.context import COVER_MM, MOST_COATS, PlanningContext, check_neck
from evenwall.planning.limits import LEANS_DEG
from evenwall.planning.loading import check_reach
from evenwall.planning.mounting import directions, mounted_along
from evenwall.planning.trial import Tried, tried

Kind = Literal["as_planned", "coat_more", "thinner_mix", "thicker_mix", "eased", "mounted"]
EASED_MM = 5.0  # radius to which sharp edges are eased
THINNER, THICKER = 0.5, 2.0  # factors of the mix's viscosity
SEEDS = 2  # trials of each change: one alone differs too much by chance (`trial.DIFFERENT`)
MOUNTINGS = 3  # other mountings tried where the mouth leans


@dataclass(frozen=True)
class Change:
    """One change and its trials, with one seed each. casting: with the change, but for its shape.

    tried: empty where no plan of it can work, and `refused` then says why.
    """

    kind: Kind
    casting: Casting
    tried: tuple[Tried, ...]
    refused: str = ""

    @property
    def thinnest(self) -> float:
        """Mean thinnest patch over the mean wall; not a number where refused."""
        return sum(one.thinnest for one in self.tried) / len(self.tried) if self.tried else math.nan

    @property
    def bound(self) -> float:
        """Mean bound over the mean wall; not a number where refused."""
        return sum(one.bound for one in self.tried) / len(self.tried) if self.tried else math.nan

    def gain(self, given: Change) -> float:
        """Return the growth of the thinnest patch, with the seed with which it grows least.

        Each trial is compared with the one of the same seed. Minus infinity where refused.
        """
        pairs = zip(self.tried, given.tried, strict=False)
        return min((one.thinnest - other.thinnest for one, other in pairs), default=-math.inf)


def compare(
    casting: Casting,
    rig: RigSpec,
    *,
    seed: int = 0,
    progress: Callable[[float, str], None] = lambda _part, _words: None,
) -> tuple[Change, ...]:
    """Try every change by itself: the casting as it is first, then the changes, the best first.

    Of several mountings only the best is returned. Raises PlanError where the casting itself
    cannot be planned.
    """
    cavity = load_cavity(casting)
    check_reach(casting, cavity, rig)
    check_neck(casting, cavity)
    count, _ = PlanningContext(casting, rig, cavity).first_batch()
    fixed = casting.model_copy(update={"coats": count})
    ways = list(_ways(fixed, cavity, count))
    found = []
    for number, (kind, changed, shape) in enumerate(ways):
        progress(number / len(ways), f"trial {number + 1} of {len(ways)}")
        found.append(_tried(kind, changed, rig, shape, seed))
    progress(1.0, "done")
    first, *others = found
    others.sort(key=lambda one: -one.thinnest if one.tried else 0.0)
    kept: dict[Kind, Change] = {}
    for one in others:
        kept.setdefault(one.kind, one)
    return (first, *kept.values())


def _ways(casting: Casting, cavity: Cavity, count: int) -> Iterator[tuple[Kind, Casting, Cavity]]:
    yield "as_planned", casting, cavity
    if count < MOST_COATS and casting.wall_mm / (count + 1) >= COVER_MM:
        yield "coat_more", casting.model_copy(update={"coats": count + 1}), cavity
    sheet = casting.resin.sheet
    changes: tuple[tuple[Kind, float], ...] = (("thinner_mix", THINNER), ("thicker_mix", THICKER))
    for kind, factor in changes:
        other = sheet.model_copy(
            update={"mixed_viscosity_mPa_s": factor * sheet.mixed_viscosity_mPa_s}
        )
        resin = casting.resin.model_copy(update={"sheet": other})
        yield kind, casting.model_copy(update={"resin": resin}), cavity
    yield "eased", casting, eased(cavity, EASED_MM)
    if cavity.mouth_lean_deg() >= LEANS_DEG:
        for axis in directions(cavity)[1 : 1 + MOUNTINGS]:
            turned = mounted_along(casting, axis)
            yield "mounted", turned, cavity.mounted(turned.mount)


def _tried(kind: Kind, casting: Casting, rig: RigSpec, cavity: Cavity, seed: int) -> Change:
    try:
        trials = [tried(casting, rig, cavity, SEEDS * seed + k) for k in range(SEEDS)]
    except EvenwallError as why:
        if kind == "as_planned":
            raise
        return Change(kind, casting, (), str(why))
    return Change(kind, casting, tuple(trials))
