"""Compare ways to mount the mould in the frame by the wall that each allows.

The frame turns the mould about the minor axis, and tips that axis about the major one. Turning the
mould about the minor axis when it is mounted only shifts the minor angle. So a mounting is the
direction of the minor axis in the mesh, given by two angles. If the mouth leans, the mounting
decides which spins are possible.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenwall.errors import PlanError
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.geometry.surface import Array
from evenwall.model import Casting, Mount, RigSpec, Vector3
from evenwall.planning.context import PlanningContext, check_neck
from evenwall.planning.effort import Effort
from evenwall.planning.loading import check_reach
from evenwall.planning.search import Found, Search
from evenwall.planning.walls import COARSE, Budget

# One mesh of few cells and two rounds of recipes: a few seconds of one core for each mounting.
TRIAL = Effort(7.0, 700, 2, 32, 0, (), (), 7.0, 700)
LEAST_APART_DEG = 15.0  # mountings closer than this count as one
MOST = 7  # mountings that are compared
# Smallest difference of two trials' thinnest patches that counts. With four seeds the trials of one
# mounting of a leaning egg scattered by 0.03 (standard deviation), and the better mounting was
# always ahead.
DIFFERENT = 0.04


@dataclass(frozen=True)
class Mounting:
    """A direction of the minor axis in the mesh, with the result of a short trial of spins.

    mouth_lean_deg: angle between the mouth and the axis. thinnest, bound: the thinnest patch over
    the mean wall of the best coats tried, and of any mixture of single coats, on the trial's mesh.
    """

    minor_axis: Vector3
    mouth_lean_deg: float
    thinnest: float
    bound: float
    given: bool  # the one in the casting file


class _Trial(Search):
    """First part of a search: recipes on one coarse mesh."""

    def run(self) -> Found:
        self.coarse = self._level(self._search_mm(), COARSE)
        pool = self._explore(self.coarse)
        self.found.bound = pool.mixed.lowest
        return self.found


def directions(cavity: Cavity) -> list[Array]:
    """Return the unit vectors of the minor axes to compare, in the mesh's frame, the given one
    first.

    The others are the mouth's direction, the principal axes of the skin, and the directions halfway
    between the mouth and those. An axis and its opposite are the same mounting, so each points to
    the mouth's side.
    """
    given = cavity.rotation[2]
    mouth = np.asarray(cavity.opening.direction, dtype=np.float64)
    mouth = mouth / np.linalg.norm(mouth)
    points = cavity.vertices_mm[cavity.triangles]
    sides = np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])
    weight = np.linalg.norm(sides, axis=1)
    middle = points.mean(axis=1)
    off = middle - (weight @ middle) / weight.sum()
    _, principal = np.linalg.eigh((off * weight[:, None]).T @ off)
    axes = [mouth, *principal.T[::-1]]
    axes = [axis if axis @ mouth >= 0.0 else -axis for axis in axes]
    halfway = [mouth + axis for axis in (given if given @ mouth >= 0.0 else -given, *axes[1:])]
    found = [given]
    for axis in (*axes, *halfway):
        one = axis / np.linalg.norm(axis)
        if all(_apart_deg(one, other) >= LEAST_APART_DEG for other in found):
            found.append(one)
    return found[:MOST]


def _apart_deg(one: Array, other: Array) -> float:
    """Return the angle between two undirected axes, 0 to 90 degrees."""
    return math.degrees(math.acos(min(1.0, abs(float(one @ other)))))


def compare(
    casting: Casting,
    rig: RigSpec,
    *,
    seed: int = 0,
    progress: Callable[[float, str], None] = lambda _part, _words: None,
) -> tuple[Mounting, ...]:
    """Try every mounting by a short search and return them, the best first.

    The axes cross at the casting's point. The mouth is capped in the trial if it is capped in the
    casting. Raises PlanError where no plan of the casting can work in any mounting.
    """
    cavity = load_cavity(casting)
    check_reach(casting, cavity, rig)
    check_neck(casting, cavity)
    ways = directions(cavity)
    found = []
    for number, axis in enumerate(ways):
        progress(number / len(ways), f"mounting {number + 1} of {len(ways)}")
        mount = casting.mount if number == 0 else _along(casting.mount, axis)
        found.append(_tried(casting, rig, cavity.mounted(mount), mount, seed, given=number == 0))
    progress(1.0, "done")
    return tuple(sorted(found, key=lambda one: -one.thinnest))


def _tried(
    casting: Casting, rig: RigSpec, cavity: Cavity, mount: Mount, seed: int, *, given: bool
) -> Mounting:
    context = PlanningContext(casting, rig, cavity)
    count, batch = context.first_batch()
    pour = context.pour(*context.series(batch, count).batches)
    search = _Trial(cavity, pour, count, seed, TRIAL, None, lambda _part, _words: None, Budget())
    tried = search.run()
    if tried.statistics is None:
        raise PlanError("mount.minor_axis", mount.minor_axis, "no spin could be tried")
    low = tried.statistics.min / tried.statistics.mean
    lean = cavity.mouth_lean_deg()
    return Mounting(mount.minor_axis, lean, float(low), float(tried.bound or math.nan), given)


def _along(mount: Mount, axis: Array) -> Mount:
    """Return the mount with this minor axis, rounded as it is printed."""
    x, y, z = (round(float(part), 3) + 0.0 for part in axis)
    return mount.model_copy(update={"minor_axis": (x, y, z)})


def mounted(casting: Casting, mounting: Mounting) -> Casting:
    """Return the casting in this mounting."""
    mount = casting.mount.model_copy(update={"minor_axis": mounting.minor_axis})
    return casting.model_copy(update={"mount": mount})
