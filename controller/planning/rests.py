"""Rest before the next pour, chosen by the film: a short one on a warm wall, or a long one for a
more even wall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from evenwall.planning.level import SCREEN, Level
from evenwall.planning.outlook import Outlook, best_move
from evenwall.planning.recipe import Recipe
from evenwall.planning.walls import AS_PLANNED, Pour

# A casting may take this much longer for each 0.01 of the mean that its score gains: our choice.
MINUTES_PER_CENT = 15.0


@dataclass(frozen=True, eq=False)
class Rest:
    """Coats that follow each other after one of the rests. longer_min: additional time compared
    with the shortest rest."""

    pour: Pour
    rest: float
    longer_min: float


@dataclass(frozen=True)
class RestOutlook:
    """Figures of a rest: the score after polishing and the thinnest patch over the mean, on the
    mesh of the search."""

    rest: float
    longer_min: float
    value: float
    thinnest: float

    @property
    def worth(self) -> float:
        """Return the score, less the cost of the longer day."""
        return self.value - 0.01 * self.longer_min / MINUTES_PER_CENT


def level_at(level: Level, rest: Rest) -> Level:
    """Return the same mesh and laid coats with another rest. The films of the first coat stay the
    same."""
    first = {pair: film for pair, film in level.walls.known.items() if pair[0].coat == 0}
    known = first if len(rest.pour.times) > 1 else {}
    return Level(replace(level.walls, pour=rest.pour, known=known), level.laid)


def work(plans: int, coats: int, rests: int) -> int:
    """Return the largest number of films that `look` computes."""
    return plans * coats * rests * (1 + len(SCREEN))


def look(level: Level, plans: Sequence[tuple[Recipe, ...]], rest: Rest) -> RestOutlook:
    """Return the outlook of this rest: the best of these plans, each polished as far as its linear
    model is trusted."""
    days = (AS_PLANNED, *SCREEN)
    level.walls.of([(recipe, day) for plan in plans for recipe in plan for day in days])
    found = []
    for plan in plans:
        outlook = Outlook.by_ripple(level, plan, SCREEN)
        move = best_move([outlook], 1.0)
        found.append((outlook.promised(move), outlook.thinnest(move)))
    return RestOutlook(rest.rest, rest.longer_min, *max(found))


def why_this_rest(looked: Sequence[RestOutlook], chosen: int, first_pour_min: float) -> str:
    """Return the reason for this rest between the coats, in words."""
    best = looked[chosen]
    if chosen:
        soon = looked[0]
        return (
            f"Each coat rests until {first_pour_min:.0f} min, {best.longer_min:.0f} min longer in "
            f"all: the wall is cooler then. In a first computation the thinnest patch has "
            f"{best.thinnest:.2f} of the mean instead of {soon.thinnest:.2f}."
        )
    others = max(looked[1:], key=lambda one: one.value)
    return (
        "The coats follow each other as soon as possible, and the spins allow for the warm wall: "
        f"{others.longer_min:.0f} min more rest would leave {others.thinnest:.2f} of the mean "
        f"instead of {best.thinnest:.2f}, which is not worth the wait."
    )
