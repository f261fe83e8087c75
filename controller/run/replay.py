"""A proven spin again, by cure and not by the clock.

A film's motion is dh/dt = -div(rho g h^3/(3 mu(t)) grad P) with P set by where the frame stands.
Over the flow path, the integral of dt/mu, it knows neither time nor temperature: a frame that
passes the same angles at the same path still to come before the gel leaves the same wall. (Left
out: the centrifugal part, 2 % of gravity at 10 rpm and 0.2 m, that goes with the speed squared.)

A proven coat is stored as its ramps beside a table of its cure: time, equivalent age and path left
to the gel. On another day each ramp is stretched or shrunk so that its end meets the same path
left; both speeds change by one factor, so the frame passes the same angles. After the gel nothing
flows, and the equivalent age alone says how long the turning goes on.

Where the rig cannot go fast enough, or the expected gel moves during the coat, whole turns of the
major axis are left out or repeated: the angles against gravity, and with them a law that lingers,
stay as they were.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from evenwall.errors import InputError
from evenwall.model import (
    MOST_COATS,
    Casting,
    CoatClock,
    CoatPlan,
    Frozen,
    Grams,
    Hash,
    Moment_s,
    Plan,
    Ramp,
    ReplayView,
    Span_s,
    StartAngles,
    parse,
)
from evenwall.numerics import cure
from evenwall.planning.batch import (
    CLOSE_UP_S,
    LEAST_DEGAS_S,
    MIX_S,
    POUR_S,
    cure_sheet,
    turn_by_s,
    viscosity_table,
)
from evenwall.units import R_J_MOLK, kelvin, kilograms, metres

AgeSeconds = Annotated[float, Field(ge=0, le=1e12)]  # equivalent, at the reference temperature
PathLeft = Annotated[float, Field(ge=0, le=1e12)]  # 1/Pa
RunId = Annotated[str, Field(min_length=1, max_length=120)]
Floats = npt.NDArray[np.float64]
Ramp3 = tuple[float, float, float]  # duration_s, major_rpm, minor_rpm

PIECE_S = 10.0  # a longer ramp is cut, because its stretch changes along it
TAIL = 0.005  # of the path: from here on age leads, because the path stands still before the gel
SAME_DEG = 2.0  # how far the major axis may be off when a turn is left out or repeated
SAME_SPEED = 0.02
EASE_S = 60.0  # a small lag is made up over about this long
EASE_MOST = 0.15  # by at most this share of the speed
_NEAR = 10  # knots after the first leg whose pace that leg takes
LEAST_BY_HAND_S = MIX_S + LEAST_DEGAS_S + POUR_S  # from the parts' meeting to the pour's end
DETAIL = "replay"  # a replayed plan keeps its ReplayPlan in `Plan.details` under this name


@dataclass(frozen=True, eq=False)
class CurePath:
    """One coat's cure on the coat's own clock; arrays (n,), times rising.

    age_s: equivalent age at the kinetics' reference temperature. left_1_Pa: the flow path still to
    come, the integral of dt/mu from then to the gel; 0 from the gel on.
    """

    time_s: Floats
    age_s: Floats
    left_1_Pa: Floats
    gel_s: float

    @staticmethod
    def of(kin: cure.Kinetics, history: cure.CureHistory) -> CurePath:
        """From a computed history that reaches past its gel. Raises InputError when it does not."""
        gel_s = cure.gel_time_s(history)
        if not math.isfinite(gel_s):
            raise InputError(
                "gel", "none", f"within {history.time_s[-1] / 60:.0f} min", hint="warm the shop"
            )
        ages = cure.equivalent_age_s(
            history.time_s, history.temp_K, kin.activation_J_mol, kin.ref_K
        )
        time_s = np.union1d(history.time_s, [gel_s])
        fluidity = 1.0 / history.viscosity_Pa_s
        way = np.concatenate(
            [[0.0], np.cumsum(0.5 * (fluidity[1:] + fluidity[:-1]) * np.diff(history.time_s))]
        )
        way = np.interp(time_s, history.time_s, way)
        left = np.maximum(np.interp(gel_s, time_s, way) - way, 0.0)
        left[time_s >= gel_s] = 0.0
        return CurePath(time_s, np.interp(time_s, history.time_s, ages), left, gel_s)

    def left_at(self, time_s: Floats | float) -> Floats:
        return np.asarray(np.interp(time_s, self.time_s, self.left_1_Pa))

    def age_at(self, time_s: Floats | float) -> Floats:
        return _along(time_s, self.time_s, self.age_s)

    def time_at_left(self, left_1_Pa: Floats | float) -> Floats:
        liquid = self.time_s <= self.gel_s
        return np.asarray(
            np.interp(left_1_Pa, self.left_1_Pa[liquid][::-1], self.time_s[liquid][::-1])
        )

    def time_at_age(self, age_s: Floats | float) -> Floats:
        return _along(age_s, self.age_s, self.time_s)

    def gelling_at(self, gel_s: float, thinner: float = 1.0) -> CurePath:
        """The same cure at another pace, so that it gels at `gel_s`, in a resin `thinner` times
        as thin at the same conversion."""
        pace = gel_s / self.gel_s
        return CurePath(self.time_s * pace, self.age_s, self.left_1_Pa * pace * thinner, gel_s)


def _along(x: Floats | float, xs: Floats, ys: Floats) -> Floats:
    """Interpolate, and go on at the last slope beyond the end."""
    slope = (ys[-1] - ys[-2]) / (xs[-1] - xs[-2])
    return np.asarray(np.interp(x, xs, ys) + np.maximum(np.subtract(x, xs[-1]), 0.0) * slope)


class CureTable(Frozen):
    """A CurePath as it is kept: rows of time_s, age_s, left_1_Pa, and the coat's temperature."""

    gel_s: Span_s
    mean_degC: Annotated[float, Field(ge=-50, le=100)]  # of the room while it cured
    rows: Annotated[
        tuple[tuple[Moment_s, AgeSeconds, PathLeft], ...], Field(min_length=3, max_length=20_000)
    ]

    @model_validator(mode="after")
    def _in_order(self) -> CureTable:
        """Time and age rise, the path left falls to nothing, and the gel is among the rows."""
        if not self.rows[0][0] < self.gel_s <= self.rows[-1][0]:
            raise ValueError("the gel must fall within the rows")
        for before, after in itertools.pairwise(self.rows):
            if not (before[0] <= after[0] and before[1] <= after[1] and before[2] >= after[2]):
                raise ValueError("time and age must rise from row to row, and the path left fall")
        if self.rows[-1][1] <= self.rows[-2][1] or self.rows[-1][0] <= self.rows[-2][0]:
            raise ValueError("time and age must rise to the end")
        if self.rows[0][2] <= 0.0:
            raise ValueError("a path must be left at the first row")
        return self

    @staticmethod
    def of(path: CurePath, mean_degC: float) -> CureTable:
        return CureTable(
            gel_s=path.gel_s,
            mean_degC=mean_degC,
            rows=tuple(
                (round(float(t), 3), round(float(a), 3), float(f"{left:.8g}"))
                for t, a, left in zip(path.time_s, path.age_s, path.left_1_Pa, strict=True)
            ),
        )

    def path(self) -> CurePath:
        time_s, age_s, left = (np.array(column) for column in zip(*self.rows, strict=True))
        return CurePath(time_s, age_s, left, self.gel_s)


class ProvenCoat(Frozen):
    """Turning of a coat over its cure, as a replay needs it."""

    coat: Annotated[int, Field(ge=1, le=MOST_COATS)]
    part_a_g: Grams
    part_b_g: Grams
    poured_s: Moment_s
    spin_from_s: Moment_s
    start_deg: StartAngles
    ramps: Annotated[tuple[Ramp, ...], Field(min_length=1, max_length=20_000)]
    # gel as found, over what the resin's sheet lets expect
    gel_ratio: Annotated[float, Field(ge=0.01, le=100)] = 1.0
    cure: CureTable


class ProvenRun(Frozen):
    """Data kept of a proven run for running it again."""

    run_id: RunId
    sha256: Hash
    coats: Annotated[tuple[ProvenCoat, ...], Field(min_length=1, max_length=MOST_COATS)]


class ReplayCoat(Frozen):
    """A proven coat beside what today was expected to be when the replay was planned."""

    proven: ProvenCoat
    today: CureTable


class ReplayPlan(Frozen):
    run_id: RunId
    sha256: Hash
    # relative fall of the viscosity per kelvin, at the same conversion
    thinning_1_K: Annotated[float, Field(ge=-1, le=1)]
    coats: Annotated[tuple[ReplayCoat, ...], Field(min_length=1, max_length=MOST_COATS)]


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the rig."""

    rate_rpm: float
    accel_rpm_s: float


@dataclass(frozen=True, slots=True)
class Place:
    """Place of the frame in a proven coat, now or when it has run its queue."""

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
    leg: npt.NDArray[np.int_]  # number of the leg each knot ends
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
        """The knot at which the first leg ends; of a coat with one leg, its speeding up."""
        end = int(np.flatnonzero(self.leg == 0)[-1])
        return end if end < len(self.leg) - 1 else 1

    def due_s(self, today: CurePath, spin_from_s: float) -> Floats:
        """When, on today's coat clock, each knot is due; (n + 1,), rising.

        The path left decides. The first leg only spreads the resin, which soon forgets it: it is
        due so as to end in time, and a start with more or less path ahead than the proven one had
        is made up for there, by turns added or left out. So its knots may be due before the start.
        """
        need, end = float(self.left_1_Pa[0]), self.spread_ends
        due = today.time_at_left(self.left_1_Pa)
        late = self.left_1_Pa < TAIL * need
        due[late] = today.time_at_age(self._ages_today(self.age_s[late], today, TAIL * need))
        due = np.maximum.accumulate(np.maximum(due, spin_from_s))
        near = min(end + _NEAR, len(due) - 1)
        span_s = max(float(due[near] - due[end]), 1e-3)
        slower = span_s / float(self.profile_s[near] - self.profile_s[end])
        due[: end + 1] = due[end] - slower * (self.profile_s[end] - self.profile_s[: end + 1])
        return due

    def _ages_today(self, age_s: Floats, today: CurePath, left_1_Pa: float) -> Floats:
        """Today's ages for proven ones: stretched between this path left and the gel, and from
        there on in proportion."""
        was, now = (
            (float(path.age_at(path.time_at_left(left_1_Pa))), float(path.age_at(path.gel_s)))
            for path in (self.path, today)
        )
        before = now[1] - (was[1] - age_s) * (now[1] - now[0]) / (was[1] - was[0])
        return np.where(age_s < was[1], before, age_s * now[1] / was[1])

    @cached_property
    def _steepest(self) -> Floats:
        """Per leg, its fastest axis's speed and its steepest change inside; (legs, 2)."""
        top = np.maximum(np.abs(self.major_rpm), np.abs(self.minor_rpm))
        change = np.maximum(np.abs(np.diff(self.major_rpm)), np.abs(np.diff(self.minor_rpm)))
        change = np.concatenate([[0.0], change / np.diff(self.profile_s)])
        change[1:][np.diff(self.leg) > 0] = 0.0  # into the leg, not inside it
        change[1] = 0.0
        legs = range(len(self.names))
        return np.array([[top[self.leg == n].max(), change[self.leg == n].max()] for n in legs])

    def paces(self, due_s: Floats, limits: Limits) -> tuple[Floats, Floats]:
        """Factor by which the speeds at each knot should be, and may be.

        A leg's own speeds and changes of speed all keep within the limits at the second figure.
        """
        was, now = np.diff(self.profile_s), np.maximum(np.diff(due_s), 1e-6)
        both = [np.concatenate([[x[0]], x[:-1] + x[1:], [x[-1]]]) for x in (was, now)]
        top, steep = np.maximum(self._steepest, 1e-9).T
        most = np.minimum(limits.rate_rpm / top, np.sqrt(limits.accel_rpm_s / steep))
        return both[0] / both[1], most[self.leg]

    def alike(self, k: int) -> npt.NDArray[np.intp]:
        """Knots of k's leg at which the frame might as well be: same speeds, and the major axis at
        the same angle against gravity."""
        inside = np.flatnonzero(self.leg == self.leg[k])
        off = (self.turns[inside] - self.turns[k]) % 1.0
        ok = np.minimum(off, 1.0 - off) * 360.0 <= SAME_DEG
        for speed in (self.major_rpm, self.minor_rpm):
            ok &= np.abs(speed[inside] - speed[k]) <= SAME_SPEED * self._steepest[self.leg[k], 0]
        return np.asarray(inside[ok])


def _cuts(duration_s: float, speed_rpm: float) -> list[float]:
    """Cuts of a ramp, as shares of it, 1 included: a piece is whole turns of the major axis,
    or a whole part of a turn, and no longer than PIECE_S."""
    turn_s = 60.0 / speed_rpm if speed_rpm > 0.0 else PIECE_S
    share = PIECE_S / turn_s
    piece_s = turn_s * (math.floor(share) if share >= 1.0 else 1.0 / math.ceil(1.0 / share))
    count = math.ceil(duration_s / piece_s - 0.05)
    return [number * piece_s / duration_s for number in range(1, count)] + [1.0]


def next_ramps(
    track: Track, due_s: Floats, place: Place, limits: Limits, until_s: float
) -> tuple[tuple[Ramp, ...], Place]:
    """Ramps from `place` until at least `until_s` of today's coat clock, and where they end.

    due_s: from `Track.due_s`, of today's best knowledge; it may differ from one call to the next.
    After the last knot its last turn is repeated.
    """
    want, most = track.paces(due_s, limits)
    k = int(np.searchsorted(track.profile_s, place.profile_s - 1e-6))
    at_s, rates = place.at_s, (place.major_rpm, place.minor_rpm)
    ramps: list[Ramp] = []
    while at_s < until_s:
        k = _in_time(track, due_s, k, at_s)
        if k + 1 == len(due_s):  # nothing like it before: go on at the same speeds
            ramps.append(_ramp(track, k, PIECE_S, rates))
            at_s += PIECE_S
            continue
        lag_s = at_s - due_s[k] if at_s < due_s[-1] else 0.0
        k += 1
        ease = 1.0 + min(max(lag_s / EASE_S, -EASE_MOST), EASE_MOST)
        pace = min(want[k] * ease, most[k])
        duration_s, rates = _between(
            rates,
            (float(track.major_rpm[k]) * pace, float(track.minor_rpm[k]) * pace),
            float(track.turns[k] - track.turns[k - 1]),
            float(due_s[k] - due_s[k - 1]),
            limits.accel_rpm_s,
        )
        ramps.append(_ramp(track, k, duration_s, rates))
        at_s += duration_s
    return tuple(ramps), Place(float(track.profile_s[k]), at_s, *rates)


def begin_at(
    track: Track, due_s: Floats, now: Place, turned: float, limits: Limits
) -> tuple[Ramp, Place]:
    """From the speeds of `now`, at its `at_s`, into the track where it is due: after a stop, or a
    restart that lost count.

    turned: turns of the major axis since this coat's turning first began. The ramp is drawn out
    by up to a turn so that the axis meets the track at the right angle.
    """
    want, most = track.paces(due_s, limits)
    k = min(int(np.searchsorted(due_s, now.at_s + 1.0)), len(due_s) - 1)
    pace = min(want[k], most[k])
    rates = (float(track.major_rpm[k]) * pace, float(track.minor_rpm[k]) * pace)
    before = (now.major_rpm, now.minor_rpm)
    least_s = max(abs(rates[0] - before[0]), abs(rates[1] - before[1])) / limits.accel_rpm_s
    least = 0.5 * (rates[0] + before[0]) * max(least_s, 1.0) / 60.0
    sign = math.copysign(1.0, rates[0] + before[0])
    rest = ((float(track.turns[k]) - turned - least) * sign) % 1.0
    way = least + sign * rest
    duration_s, rates = _between(before, rates, way, max(least_s, 1.0), limits.accel_rpm_s)
    ramp = _ramp(track, k, duration_s, rates)
    return ramp, Place(float(track.profile_s[k]), now.at_s + duration_s, *rates)


def _ramp(track: Track, k: int, duration_s: float, rates: tuple[float, float]) -> Ramp:
    name = track.names[track.leg[k]]
    return Ramp(leg=name, duration_s=duration_s, major_rpm=rates[0], minor_rpm=rates[1])


def _in_time(track: Track, due_s: Floats, k: int, at_s: float) -> int:
    """The knot to go on from: k, or one whole turns later or earlier that is due about now."""
    speed_rpm = abs(track.major_rpm[k])
    turn_s = 60.0 / speed_rpm if speed_rpm > 0.0 else PIECE_S
    if k > 0 and abs(at_s - due_s[k]) >= 0.75 * turn_s:
        alike = track.alike(k)
        off = np.abs(due_s[alike] - at_s)
        k = int(alike[off <= off.min() + 1e-6][-1])
    if k + 1 == len(due_s):
        alike = track.alike(k)
        alike = alike[np.abs(track.turns[k] - track.turns[alike]) > 0.5]
        return int(alike[-1]) if len(alike) else k
    return k


def _between(
    before: tuple[float, float],
    after: tuple[float, float],
    turns: float,
    wanted_s: float,
    accel_rpm_s: float,
) -> tuple[float, tuple[float, float]]:
    """Duration and end speeds of a ramp that turns the major axis exactly `turns`.

    Where the limit forbids the wanted end speeds, they come as near as it lets them. An axis that
    stands or turns round has no such duration: then the wanted one is taken.
    """
    way = 60.0 * abs(turns)
    sign = math.copysign(1.0, turns)
    v0, v1 = before[0] * sign, after[0] * sign
    if v0 < 0.0 or v1 < 0.0 or way < 1e-6 or v0 + v1 <= 0.0:
        change = max(abs(after[0] - before[0]), abs(after[1] - before[1]))
        return max(wanted_s, change / accel_rpm_s, 1e-3), after
    steep = 2.0 * accel_rpm_s * way
    v1 = min(max(v1, math.sqrt(max(v0 * v0 - steep, 0.0))), math.sqrt(v0 * v0 + steep))
    duration_s = 2.0 * way / (v0 + v1)
    room = accel_rpm_s * duration_s
    minor = min(max(after[1], before[1] - room), before[1] + room)
    return duration_s, (v1 * sign, minor)


# --- Today's plan ---------------------------------------------------------------------------------


def kinetics_of(casting: Casting) -> cure.Kinetics:
    """The casting's resin as its sheet lets expect it."""
    return _kinetics(cure_sheet(casting.resin.sheet))


_kinetics = lru_cache(maxsize=16)(cure.kinetics_from_sheet)


def cure_of_coat(
    casting: Casting,
    kin: cure.Kinetics,
    coat_mm: float,
    mixed_g: float,
    poured_s: float,
    room_degC: float,
    mould_degC: float,
) -> cure.CureHistory:
    """The coat's cure on its own clock, well past its gel."""
    span_s = 3.0 * casting.resin.sheet.pot_life_min * 60.0 + poured_s
    for _ in range(5):
        history = cure.coat_history(
            kin,
            metres(coat_mm),
            metres(casting.mould.wall_mm),
            casting.mould.material,
            kelvin(room_degC),
            kelvin(mould_degC),
            poured_s,
            kilograms(mixed_g),
            duration_s=span_s,
        )
        if cure.gel_time_s(history) < span_s / 1.6:
            break
        span_s *= 1.7
    return history


def plan_today(
    plan: Plan,
    proven: ProvenRun,
    room_degC: float,
    mould_degC: float,
    kin: cure.Kinetics | None = None,
    *,
    by_hand_s: float = LEAST_BY_HAND_S,
) -> Plan:
    """The proven run's plan, made over for today's temperatures.

    Same weights, same angles over the cure; other times and speeds. On a warmer day the pour comes
    earlier, as far as hands allow; on a colder one it need not wait, and the resin spreads for
    longer instead. kin: the resin's kinetics where more is known than its
    sheet. by_hand_s: mixing, degassing and pouring take at least so long. Raises InputError or
    OutsideValidity when no coat gels in such a room.
    """
    casting = plan.casting
    kin = kin or kinetics_of(casting)
    limits = Limits(plan.rig.rate_limit_rpm, plan.rig.accel_limit_rpm_s)
    coats, kept, late_s = [], [], 0.0
    for planned, was in zip(plan.coats, proven.coats, strict=True):
        track = Track.of(was)
        close_up_s = max(was.spin_from_s - was.poured_s, CLOSE_UP_S)
        poured_s = was.poured_s
        for _ in range(8):  # the pour moves the cure a little, and the cure the pour
            history = cure_of_coat(
                casting,
                kin,
                planned.mean_mm,
                was.part_a_g + was.part_b_g,
                poured_s,
                room_degC,
                mould_degC,
            )
            today = CurePath.of(kin, history)
            today = today.gelling_at(today.gel_s * was.gel_ratio)
            due_s = float(today.time_at_left(float(track.left_1_Pa[0]))) - close_up_s
            before = poured_s
            poured_s = min(was.poured_s, max(due_s, by_hand_s))
            if abs(poured_s - before) < 0.5:
                break
        late_s = max(late_s, poured_s - due_s)
        spin_from_s = poured_s + close_up_s
        due = track.due_s(today, spin_from_s)
        ramps, _ = next_ramps(track, due, Place(at_s=spin_from_s), limits, float(due[-1]) - 0.01)
        if not ramps:
            said = f"coat {was.coat} would have gelled before it turns: nothing to repeat"
            raise InputError("run", proven.run_id, said)
        thickens = tuple(
            (round(time_s * was.gel_ratio, 2), mu) for time_s, mu in viscosity_table(history)
        )
        coats.append(_coat_today(planned, was, thickens, today, ramps, poured_s, spin_from_s))
        kept.append(ReplayCoat(proven=was, today=CureTable.of(today, room_degC)))
    warmth = _in_shop(casting, room_degC, mould_degC)
    detail = ReplayPlan(
        run_id=proven.run_id,
        sha256=proven.sha256,
        thinning_1_K=kin.viscosity_activation_J_mol / R_J_MOLK / kelvin(room_degC) ** 2,
        coats=tuple(kept),
    )
    return plan.model_copy(
        update={
            "casting": warmth,
            "coats": tuple(coats),
            "notes": (*plan.notes, *_said(proven, coats, late_s)),
            "details": {**plan.details, DETAIL: detail.model_dump(mode="json")},
        }
    )


def _in_shop(casting: Casting, room_degC: float, mould_degC: float) -> Casting:
    return casting.model_copy(
        update={
            "shop": casting.shop.model_copy(update={"temp_degC": room_degC}),
            "mould": casting.mould.model_copy(update={"temp_degC": mould_degC}),
        }
    )


def _coat_today(
    planned: CoatPlan,
    was: ProvenCoat,
    viscosity: tuple[tuple[float, float], ...],
    today: CurePath,
    ramps: tuple[Ramp, ...],
    poured_s: float,
    spin_from_s: float,
) -> CoatPlan:
    clock = planned.clock
    pace = today.gel_s / clock.gel_expected_s
    last = float(today.age_at(today.gel_s)) / float(was.cure.path().age_at(was.cure.gel_s))

    def same_age(time_s: float) -> float:
        return float(today.time_at_age(was.cure.path().age_at(time_s) * last))

    mix_g = was.part_a_g + was.part_b_g
    pour_from_s = max(0.0, spin_from_s - CLOSE_UP_S - POUR_S)
    pour_by_s = poured_s + max(clock.pour_by_s - was.poured_s, 0.0) * pace
    return planned.model_copy(
        update={
            "mix_g": mix_g,
            "part_a_g": was.part_a_g,
            "part_b_g": was.part_b_g,
            "clock": CoatClock(
                pour_from_s=pour_from_s,
                # Who was slow to close up then may close up in the usual time now.
                pour_by_s=max(pour_by_s, pour_from_s + POUR_S),
                spin_from_s=spin_from_s,
                turn_by_s=spin_from_s + (turn_by_s(clock) - clock.spin_from_s) * pace,
                gel_expected_s=today.gel_s,
                gel_low_s=clock.gel_low_s * pace,
                gel_high_s=clock.gel_high_s * pace,
                spin_until_s=clock.spin_until_s * pace,
                next_pour_from_s=same_age(clock.next_pour_from_s),
                next_pour_until_s=same_age(clock.next_pour_until_s),
            ),
            "start_deg": was.start_deg,
            "ramps": ramps,
            "viscosity": viscosity,
        }
    )


def _said(proven: ProvenRun, coats: list[CoatPlan], late_s: float) -> list[str]:
    gels = ", ".join(
        f"{now.clock.gel_expected_s / 60:.1f} for {was.cure.gel_s / 60:.1f}"
        for now, was in zip(coats, proven.coats, strict=True)
    )
    said = [
        f"Run {proven.run_id} again, by cure: the coats should gel at {gels} min.",
        "The wall's figures are those planned for the proven run.",
    ]
    if late_s > 5.0:
        said.append(
            f"It is too warm to pour as early in the cure as the proven run did, by "
            f"{late_s:.0f} s: the spreading is cut short instead. A cooler shop, or parts kept "
            "cooler, would give the time back."
        )
    return said


def replay_of(plan: Plan) -> ReplayPlan:
    """Return what a replayed plan keeps of the proven run. Raises InputError."""
    detail = parse(ReplayPlan, plan.details[DETAIL], f"plan.details.{DETAIL}")
    if len(detail.coats) != len(plan.coats):
        limit = f"must be one for each coat of the plan, {len(plan.coats)}"
        raise InputError(f"details.{DETAIL}.coats", len(detail.coats), limit)
    return detail


# --- Following it ---------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Follower:
    """Leads one coat of today along its proven one."""

    run_id: str
    track: Track
    forecast: CurePath
    forecast_degC: float
    thinning_1_K: float
    limits: Limits

    @staticmethod
    def all_of(plan: Plan) -> tuple[Follower, ...]:
        """One for each coat of a replayed plan; none for any other."""
        if DETAIL not in plan.details:
            return ()
        detail = replay_of(plan)
        limits = Limits(plan.rig.rate_limit_rpm, plan.rig.accel_limit_rpm_s)
        return tuple(
            Follower(
                detail.run_id,
                Track.of(coat.proven),
                coat.today.path(),
                coat.today.mean_degC,
                detail.thinning_1_K,
                limits,
            )
            for coat in detail.coats
        )

    def today(self, gel_s: float | None, room_degC: float | None) -> CurePath:
        """Today's cure as now known: `gel_s` as estimated from the probe, the room as measured."""
        if gel_s is None:
            return self.forecast
        warmer_K = 0.0 if room_degC is None else room_degC - self.forecast_degC
        return self.forecast.gelling_at(gel_s, math.exp(self.thinning_1_K * warmer_K))

    def due_s(self, spin_from_s: float, gel_s: float | None, room_degC: float | None) -> Floats:
        """When the proven moments are due on today's coat clock, as now known."""
        return self.track.due_s(self.today(gel_s, room_degC), spin_from_s)

    def into(self, due_s: Floats, now: Place, turned: float) -> tuple[Ramp3, Place]:
        """From any speeds and angle to where the cure wants the frame: see `begin_at`."""
        ramp, place = begin_at(self.track, due_s, now, turned, self.limits)
        return _bare(ramp), place

    def onwards(
        self, due_s: Floats, place: Place, amount_s: float
    ) -> tuple[tuple[Ramp3, ...], Place]:
        """At least `amount_s` of ramps from `place` on: see `next_ramps`."""
        until_s = place.at_s + amount_s
        ramps, place = next_ramps(self.track, due_s, place, self.limits, until_s)
        return tuple(_bare(ramp) for ramp in ramps), place

    def deviation(
        self, today: CurePath, spin_from_s: float, time_s: float, ends: Place
    ) -> ReplayView:
        """At `time_s` of today's coat clock. ends: where the ramps handed over will end."""
        track = self.track
        due = track.due_s(today, spin_from_s)
        k = min(int(np.searchsorted(due, time_s)), len(due) - 1)
        lag_s = 0.0
        if ends.at_s < due[-1]:
            lag_s = ends.at_s - float(np.interp(ends.profile_s, track.profile_s, due))
        proven_s, later_s = (
            float(track.path.time_at_left(today.left_at(at_s)))
            for at_s in (time_s, time_s + PIECE_S)
        )
        step = "turning keeps step with the cure"
        if abs(lag_s) >= PIECE_S:
            step = f"turning is {abs(lag_s):.0f} s {'behind' if lag_s > 0 else 'ahead'}"
        return ReplayView(
            run_id=self.run_id,
            leg=track.names[track.leg[k]],
            cure_percent=100.0 * float(today.age_at(time_s) / today.age_at(today.gel_s)),
            proven_time_s=proven_s,
            pace=(later_s - proven_s) / PIECE_S,
            lag_s=lag_s,
            path_percent=100.0 * float(today.left_at(spin_from_s) / track.left_1_Pa[0]),
            gel_proven_s=track.path.gel_s,
            gel_expected_s=today.gel_s,
            sentence=f"The proven coat gelled at {track.path.gel_s / 60:.1f} min, this one is "
            f"expected to at {today.gel_s / 60:.1f} min; {step}.",
        )


def _bare(ramp: Ramp) -> Ramp3:
    return ramp.duration_s, ramp.major_rpm, ramp.minor_rpm
