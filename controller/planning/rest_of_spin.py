"""Rest of a spin that has begun: its legs from a moment on, and the numbers still to change."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from evenwall.model import CoatPlan, Ramp, RigSpec, Vector3
from evenwall.numerics.spin import KNOTS_PER_TURN, TURN, Leg, Profile, continued, corrected_speeds
from evenwall.planning.recipe import MOST_BIAS, Recipe, legs
from evenwall.planning.space import SPACE
from evenwall.units import rad_s, rpm

Array = NDArray[np.float64]

SPARE_S = 15.0  # a moved leg begins this much after the change at the earliest (our choice)
KNOT_MOST_S = 60.0  # more than any knot takes, so that the last leg covers the rest
SAME_RPM = 0.05  # largest difference of speeds from a recipe's that rounding explains
CUT_SHARE = 0.4  # a level leg with more of the time to gel than this is cut in two


@dataclass(frozen=True)
class Limits:
    """The rig's limits, rad/s and rad/s2."""

    speed: float
    accel: float

    @staticmethod
    def of(spec: RigSpec) -> Limits:
        return Limits(rad_s(spec.rate_limit_rpm), rad_s(spec.accel_limit_rpm_s))

    def allow(self, leg: Leg) -> bool:
        """Return whether the rig can follow the leg's law as it will be ramped."""
        if leg.dwell == 0.0 and leg.bias == 0.0:
            return max(abs(leg.major), abs(leg.minor)) <= self.speed * (1 + 1e-9)
        if abs(leg.bias) + leg.dwell > MOST_BIAS:
            return False
        speed = corrected_speeds(leg)
        ramp = np.abs(np.diff(speed**2, append=speed[0] ** 2)) / (2 * TURN / KNOTS_PER_TURN)
        fast = max(float(np.abs(speed).max()), abs(leg.minor))
        return fast <= self.speed * (1 + 1e-9) and float(ramp.max()) <= self.accel * (1 + 1e-9)


@dataclass(frozen=True)
class Number:
    """One number of the rest that may change. what: "bias" of a leg, or when it begins or ends,
    in s. step: size of one step; low, high: the range of its change, in steps."""

    what: str
    leg: int
    step: float
    low: float
    high: float


@dataclass(frozen=True)
class Rest:
    """Rest of a spin from `from_s` of its profile to `until_s`: its legs, and the major angle (rad)
    and the speeds (rad/s) at which it begins. unit_s: time from the start of the spin to the
    expected gel, by which a recipe counts."""

    from_s: float
    until_s: float
    legs: tuple[Leg, ...]
    phi: float
    speeds: tuple[float, float]
    unit_s: float
    limits: Limits

    def rows(self, some: Sequence[Leg] | None = None) -> tuple[Array, tuple[str, ...]]:
        """Return the ramps of these legs, or of the planned ones: rows (k, 3) of duration, major
        and minor speed, and their legs. They last exactly as long as the planned rest."""
        wanted = list(self.legs if some is None else some)
        wanted[-1] = replace(wanted[-1], duration_s=wanted[-1].duration_s + KNOT_MOST_S)
        found, names = continued(wanted, self.limits.accel, self.phi, self.speeds)
        kept = first(found, self.until_s - self.from_s, self.speeds)
        return kept, names[: len(kept)]

    def ramps(self, some: Sequence[Leg]) -> tuple[Ramp, ...]:
        """Return the ramps of these legs for the board and the record."""
        found, names = self.rows(some)
        return tuple(
            Ramp(leg=name, duration_s=float(d), major_rpm=rpm(float(a)), minor_rpm=rpm(float(b)))
            for name, (d, a, b) in zip(names, found, strict=True)
        )

    def numbers(self, most: float) -> list[Number]:
        """Return the numbers that may change, each by at most `most` steps: the bias of every leg,
        and when a leg towards the rim or the floor that is still to come begins and ends."""
        found = []
        for k, leg in enumerate(self.legs):
            if leg.name == "spread":
                continue
            name = "bias" if leg.name == "level" else "rim_bias"
            low, high, step = SPACE[name]
            ends = [(low - leg.bias) / step, (high - leg.bias) / step]
            ends = [max(ends[0], -most), min(ends[1], most)]
            ends = [self._allowed(k, step, end) for end in ends]
            found.append(Number("bias", k, step, min(0.0, ends[0]), max(0.0, ends[1])))
        for k, leg in enumerate(self.legs[:-1]):
            if k and leg.name in ("rim", "floor"):
                found += self._times(k, most)
        return [one for one in found if one.high - one.low > 0.1]

    def _allowed(self, k: int, step: float, end: float) -> float:
        for part in (1.0, 0.75, 0.5, 0.25):
            leg = self.legs[k]
            if self.limits.allow(replace(leg, bias=leg.bias + part * end * step)):
                return part * end
        return 0.0

    def _times(self, k: int, most: float) -> list[Number]:
        """Return the numbers of a whole leg to come: moved as it is, and ended sooner or later."""
        before = sum(leg.duration_s for leg in self.legs[:k])
        lasts, after = self.legs[k].duration_s, self.legs[k + 1].duration_s
        found = []
        for what, name, now_s, room_s in (
            ("start", "rim_from", self.from_s + before, before - SPARE_S),
            ("end", "rim_share", lasts, lasts - SPARE_S),
        ):
            low, high, step = (one * self.unit_s for one in SPACE[name])
            down = max(-most, -max(0.0, min(room_s, now_s - low)) / step)
            up = min(most, max(0.0, min(after - SPARE_S, high - now_s)) / step)
            found.append(Number(what, k, step, down, up))
        return found

    def changed(self, numbers: Sequence[Number], steps: Sequence[float] | Array) -> list[Leg]:
        """Return the legs after a change of each number by so many steps."""
        found = list(self.legs)

        def longer(k: int, by_s: float) -> None:
            found[k] = replace(found[k], duration_s=found[k].duration_s + by_s)

        for number, amount in zip(numbers, steps, strict=True):
            k, by = number.leg, number.step * float(amount)
            if number.what == "bias":
                found[k] = replace(found[k], bias=found[k].bias + by)
            else:
                longer(k - 1 if number.what == "start" else k, by)
                longer(k + 1, -by)
        return found


def turning(coat: CoatPlan) -> Array:
    """Return the coat's ramps in SI, rows (k, 3), without a last ramp to a standstill."""
    rows = [(r.duration_s, rad_s(r.major_rpm), rad_s(r.minor_rpm)) for r in coat.ramps]
    while len(rows) > 1 and rows[-1][1] == 0 and rows[-1][2] == 0:
        rows.pop()
    return np.array(rows)


def first(rows: Array, length_s: float, speeds: tuple[float, float] = (0.0, 0.0)) -> Array:
    """Return the first `length_s` of ramps that begin at these speeds; the last one is cut."""
    ends = np.cumsum(rows[:, 0])
    k = int(np.searchsorted(ends, length_s - 1e-6))
    if k == len(rows):
        return rows
    began_s = float(ends[k] - rows[k, 0])
    before = rows[k - 1, 1:] if k else np.array(speeds)
    share = (length_s - began_s) / rows[k, 0]
    cut = before + share * (rows[k, 1:] - before)
    return np.vstack([rows[:k], [length_s - began_s, *cut]])


def speeds_at(rows: Array, time_s: Array) -> Array:
    """Return both speeds (n, 2) of ramps from rest at these times (n,)."""
    ends = np.concatenate([[0.0], np.cumsum(rows[:, 0])])
    return np.stack(
        [np.interp(time_s, ends, np.concatenate([[0.0], rows[:, k]])) for k in (1, 2)], axis=1
    )


def rest_of(
    coat: CoatPlan,
    recipe: Recipe,
    opening: Vector3,
    spec: RigSpec,
    *,
    from_s: float,
    gel_s: float,
) -> Rest | None:
    """Return the rest of a coat's spin from this time of its profile, cut for a gel at `gel_s` of
    the profile. None if the recipe does not describe the ramps, as of a spin that is replayed, or
    if no leg is left.
    """
    rows = turning(coat)
    names = [ramp.leg for ramp in coat.ramps][: len(rows)]
    ends_s = np.cumsum(rows[:, 0])
    groups = [(name, len(list(some))) for name, some in groupby(names)]
    planned = legs(recipe, coat.clock, 1.0 if opening[2] >= 0 else -1.0)
    if [name for name, _ in groups] != [leg.name for leg in planned] or from_s >= ends_s[-1]:
        return None
    last = np.cumsum([count for _, count in groups]) - 1
    kept, before_s = [], 0.0
    for leg, end_s in zip(planned, ends_s[last], strict=True):
        begins_s = max(before_s, from_s)
        before_s = float(end_s)
        if end_s > begins_s:
            kept.append(replace(leg, duration_s=float(end_s) - begins_s))
    start = (math.radians(coat.start_deg.major), 0.0)
    spun = Profile(rows[:, 0], rows[:, 1], rows[:, 2], tuple(names), start)
    speeds = speeds_at(rows, np.array([from_s]))[0]
    rest = Rest(
        from_s,
        float(ends_s[-1]),
        tuple(kept),
        float(spun.angles(np.array([from_s]))[0][0]),
        (float(speeds[0]), float(speeds[1])),
        coat.clock.gel_expected_s - coat.clock.spin_from_s,
        Limits.of(spec),
    )
    if not kept or not _described(rest, rows):
        return None
    return replace(rest, legs=tuple(_cut(kept, from_s, gel_s)))


def _described(rest: Rest, rows: Array) -> bool:
    """Return whether the legs give the planned speeds again."""
    again = np.vstack([first(rows, rest.from_s), rest.rows()[0]])
    time_s = np.linspace(rest.from_s, rest.until_s, 2000)
    off = np.abs(speeds_at(again, time_s) - speeds_at(rows, time_s)).max()
    return bool(off <= rad_s(SAME_RPM))


def _cut(some: Sequence[Leg], from_s: float, gel_s: float) -> list[Leg]:
    """Cut each level leg that takes much of the time to gel in two, so that their biases may
    differ."""
    found, began_s = [], from_s
    for leg in some:
        acts_s = min(leg.duration_s, gel_s - began_s)
        began_s += leg.duration_s
        if leg.name == "level" and acts_s > CUT_SHARE * (gel_s - from_s):
            half = 0.5 * acts_s
            found += [
                replace(leg, duration_s=half),
                replace(leg, duration_s=leg.duration_s - half),
            ]
        else:
            found.append(leg)
    return found
