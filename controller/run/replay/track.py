"""Track of a proven coat, cut at knots that are due at their places in today's cure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from evenwall.run.replay.cure_path import CurePath, Floats
from evenwall.run.replay.proven import ProvenCoat

PIECE_S = 10.0  # a longer ramp is cut, because the stretching factor changes along it
TAIL = 0.005  # of the path: from here on the age decides, as the path hardly changes
SAME_DEG = 2.0  # tolerance of the major axis when a turn is left out or repeated
SAME_SPEED = 0.02
WHOLE_MOST = 0.3  # largest deviation of the spreading from the pace of the next leg, as a logarithm
_NEAR = 10  # knots after the first leg that set the pace of that leg


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the rig."""

    rate_rpm: float
    accel_rpm_s: float


@dataclass(frozen=True, slots=True)
class Place:
    """Place of the frame in a proven coat, now or at the end of its queue."""

    profile_s: float = 0.0  # of the proven coat, 0 where its turning began
    at_s: float = 0.0  # on today's coat clock
    major_rpm: float = 0.0
    minor_rpm: float = 0.0


@dataclass(frozen=True, eq=False)
class Track:
    """A proven coat cut at knots; arrays (n + 1,), the first is where the turning begins.

    profile_s counts from there; speeds in rpm; turns of the major axis, unwrapped.
    """

    profile_s: Floats
    left_1_Pa: Floats
    age_s: Floats
    turns: Floats
    major_rpm: Floats
    minor_rpm: Floats
    leg: npt.NDArray[np.int_]  # number of the leg that each knot ends
    names: tuple[str, ...]  # of the legs
    path: CurePath

    @staticmethod
    def of(proven: ProvenCoat) -> Track:
        rows, leg, names = [(0.0, 0.0, 0.0)], [0], [proven.ramps[0].leg]
        for ramp in proven.ramps:
            time_s, major, minor = rows[-1]
            if ramp.leg != names[-1]:
                names.append(ramp.leg)
            for share in _cuts(ramp.duration_s, 0.5 * abs(major + ramp.major_rpm)):
                rows.append(
                    (
                        time_s + share * ramp.duration_s,
                        major + share * (ramp.major_rpm - major),
                        minor + share * (ramp.minor_rpm - minor),
                    )
                )
                leg.append(len(names) - 1)
        profile_s, major_rpm, minor_rpm = (np.array(column) for column in zip(*rows, strict=True))
        step = 0.5 * (major_rpm[1:] + major_rpm[:-1]) * np.diff(profile_s) / 60.0
        path = proven.cure.path()
        on_clock = proven.spin_from_s + profile_s
        return Track(
            profile_s=profile_s,
            left_1_Pa=path.left_at(on_clock),
            age_s=path.age_at(on_clock),
            turns=np.concatenate([[0.0], np.cumsum(step)]),
            major_rpm=major_rpm,
            minor_rpm=minor_rpm,
            leg=np.array(leg),
            names=tuple(names),
            path=path,
        )

    @cached_property
    def spread_ends(self) -> int:
        """Return the knot at which the first leg ends; for a coat with one leg, the end of its
        acceleration."""
        end = int(np.flatnonzero(self.leg == 0)[-1])
        return end if end < len(self.leg) - 1 else 1

    def due_s(self, today: CurePath, spin_from_s: float) -> Floats:
        """Return the time on today's coat clock at which each knot is due; (n + 1,), rising.

        The remaining path decides. The first leg only spreads the resin, which soon forgets it, so
        it only has to end in time. If the start has more or less path ahead than the proven one
        had, turns are added or left out there, so its knots may be due before the start.
        """
        need, end = float(self.left_1_Pa[0]), self.spread_ends
        due = today.time_at_left(self.left_1_Pa)
        late = self.left_1_Pa < TAIL * need
        due[late] = today.time_at_age(self._ages_today(self.age_s[late], today, TAIL * need))
        due = np.maximum.accumulate(np.maximum(due, spin_from_s))
        near = min(end + _NEAR, len(due) - 1)
        span_s = max(float(due[near] - due[end]), 1e-3)
        slower = span_s / float(self.profile_s[near] - self.profile_s[end])
        slower = self._whole_turns(slower, float(due[end]) - spin_from_s)
        due[: end + 1] = due[end] - slower * (self.profile_s[end] - self.profile_s[: end + 1])
        return due

    def _whole_turns(self, slower: float, ahead_s: float) -> float:
        """Return the factor by which spreading is slower than in the proven coat, so that whole
        turns (more or fewer than in the proven coat) fill the time ahead. The next leg then begins
        at its angle and on time.

        slower: the factor of the next leg. The result differs from it by at most WHOLE_MOST, and
        equals it if no whole turns fit.
        """
        spread_s, speed_rpm = float(self.profile_s[self.spread_ends]), abs(self.major_rpm[1])
        if self.spread_ends <= 1 or speed_rpm <= 0.0 or ahead_s <= 0.0:
            return slower
        turn_s = 60.0 / float(speed_rpm)
        turns = round((ahead_s / slower - spread_s) / turn_s)
        fits_s = spread_s + turns * turn_s
        if fits_s <= 0.0 or abs(math.log(ahead_s / fits_s / slower)) > WHOLE_MOST:
            return slower
        return ahead_s / fits_s

    def lag_s(self, due_s: Floats, k: int, at_s: float) -> float:
        """Return the delay of a frame that passes knot k at `at_s`, s.

        While it spreads the resin, whole turns that it will leave out or repeat do not count.
        """
        lag_s = at_s - float(due_s[k])
        way = abs(float(self.turns[k + 1] - self.turns[k]))
        if k >= self.spread_ends or self.spread_ends <= 1 or way < 1e-6:
            return lag_s
        turn_s = float(due_s[k + 1] - due_s[k]) / way
        return lag_s - round(lag_s / turn_s) * turn_s if turn_s > 0.0 else lag_s

    def _ages_today(self, age_s: Floats, today: CurePath, left_1_Pa: float) -> Floats:
        """Return today's ages for proven ones: stretched between this remaining path and the gel,
        and in proportion after that."""
        was, now = (
            (float(path.age_at(path.time_at_left(left_1_Pa))), float(path.age_at(path.gel_s)))
            for path in (self.path, today)
        )
        before = now[1] - (was[1] - age_s) * (now[1] - now[0]) / (was[1] - was[0])
        return np.where(age_s < was[1], before, age_s * now[1] / was[1])

    @cached_property
    def _steepest(self) -> Floats:
        """Return for each leg the speed of its fastest axis and its steepest change inside; (legs,
        2)."""
        top = np.maximum(np.abs(self.major_rpm), np.abs(self.minor_rpm))
        change = np.maximum(np.abs(np.diff(self.major_rpm)), np.abs(np.diff(self.minor_rpm)))
        change = np.concatenate([[0.0], change / np.diff(self.profile_s)])
        change[1:][np.diff(self.leg) > 0] = 0.0  # the change into the leg, not inside it
        change[1] = 0.0
        legs = range(len(self.names))
        return np.array([[top[self.leg == n].max(), change[self.leg == n].max()] for n in legs])

    def paces(self, due_s: Floats, limits: Limits) -> tuple[Floats, Floats]:
        """Return the wanted and the permitted factor on the speeds at each knot.

        With the second factor all speeds of a leg and their changes stay within the limits.
        """
        was, now = np.diff(self.profile_s), np.maximum(np.diff(due_s), 1e-6)
        both = [np.concatenate([[x[0]], x[:-1] + x[1:], [x[-1]]]) for x in (was, now)]
        top, steep = np.maximum(self._steepest, 1e-9).T
        most = np.minimum(limits.rate_rpm / top, np.sqrt(limits.accel_rpm_s / steep))
        return both[0] / both[1], most[self.leg]

    def alike(self, k: int) -> npt.NDArray[np.intp]:
        """Return knots of k's leg that are equivalent to k: same speeds, and the major axis at the
        same angle against gravity."""
        inside = np.flatnonzero(self.leg == self.leg[k])
        off = (self.turns[inside] - self.turns[k]) % 1.0
        ok = np.minimum(off, 1.0 - off) * 360.0 <= SAME_DEG
        for speed in (self.major_rpm, self.minor_rpm):
            ok &= np.abs(speed[inside] - speed[k]) <= SAME_SPEED * self._steepest[self.leg[k], 0]
        return np.asarray(inside[ok])


def _cuts(duration_s: float, speed_rpm: float) -> list[float]:
    """Return the cuts of a ramp as shares of it, including 1. A piece is a whole number of turns of
    the major axis, or a whole fraction of a turn, and at most PIECE_S long."""
    turn_s = 60.0 / speed_rpm if speed_rpm > 0.0 else PIECE_S
    share = PIECE_S / turn_s
    piece_s = turn_s * (math.floor(share) if share >= 1.0 else 1.0 / math.ceil(1.0 / share))
    count = math.ceil(duration_s / piece_s - 0.05)
    return [number * piece_s / duration_s for number in range(1, count)] + [1.0]
