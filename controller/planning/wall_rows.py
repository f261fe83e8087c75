"""Measures of a finished casting, as the maker gave them and as rows of a linear model.

This module is light: the process that turns the frame loads it, and no film.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from evenwall.model.bounds import Finite, Frozen, Vector3, Words

NEWEST = 6  # castings that are read and reckoned with; older ones had other batches of resin
POINTS, ALL_POINTS = 16, 48  # of the wall that stand for a band of it, and for all of it
Kind = Literal["weight", "lid", "gel", "rim", "spot", "volume"]
Row = Annotated[tuple[Finite, ...], Field(max_length=64)]


@dataclass(frozen=True)
class Gauged:
    """One gauge reading. Its place is a band of the casting's height, as shares from the closed end
    to the opening, or a point: mm over the lowest point along the minor axis, and degrees round
    it."""

    wall_mm: float
    band: tuple[float, float] | None = None
    point: tuple[float, float] | None = None


@dataclass(frozen=True)
class Found:
    """A maker's measures of a casting; None where nobody measured. gels_s: each coat's, from its
    mixing; rim_mm: every reading."""

    weight_g: float | None = None
    lid_g: float | None = None
    rim_mm: tuple[float, ...] = ()
    gauged: tuple[Gauged, ...] = ()
    gels_s: tuple[float | None, ...] = ()


class Said(Frozen):
    """One measure as a row of the linear model.

    off: difference from the figure predicted without any correction, of the mean wall or as a
    logarithm. noise: its standard deviation. lasting: its change with each of
    `lessons.LASTING`; own: with the gel of each coat, then with the pour of each coat. at_m: points
    of the wall that it was taken at.
    """

    kind: Kind
    off: Finite
    noise: Annotated[float, Field(gt=0, le=1e3)]
    lasting: Row
    own: Row
    at_m: Annotated[tuple[Vector3, ...], Field(max_length=ALL_POINTS)] = ()


class WallSaid(Frozen):
    """The measures of one casting, with the film's slopes. local: standard deviation of what the
    film may get wrong at one place, of the mean wall; reach_m: distance over which that changes;
    mean_mm: the mean wall as computed. Without rows the casting says nothing: a coat was lost.
    """

    version: Literal[1] = 1
    run_id: Words
    mean_mm: Finite
    local: Finite
    reach_m: Finite
    rows: Annotated[tuple[Said, ...], Field(max_length=300)]
