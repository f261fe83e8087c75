"""Ramps for the board from a coat's profile, a few seconds at a time."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from evenwall.model import CoatPlan, RigSpec
from evenwall.model import Ramp as LegRamp
from evenwall_bridge.contract import Ramp
from evenwall_bridge.motion import FrameLimits, predict_steps

Ramp3 = tuple[float, float, float]  # duration_s, major_rpm, minor_rpm
Rates = tuple[float, float]  # major_rpm, minor_rpm

PIECE_S = 10.0  # the longest single ramp
AHEAD_S = 10.0  # hand over more when the board holds less than this ...
FULL_S = 20.0  # ... until it holds this much; it needs 8 s to bridge a restart of this process
ACCEL_SHARE = 0.8  # of the rig's limit, for ramps that are not in the plan
PARK_RPM = 4.0
ENTRY_S, ENTRIES = 0.1, 300  # step and number of entry times tried on each side ...
MEETS_TURNS = 0.02  # ... to meet the profile's angle within this
CRUMB_S = 0.5  # cutting a longer ramp leaves no piece shorter than this


@dataclass(frozen=True, slots=True)
class Profile:
    """Speeds of a coat over the time of its profile, which is 0 at the start of the spin.

    The plan's final ramps to a standstill are left out, because the gel decides when turning ends.
    After the last leg its speeds continue without end.
    """

    legs: tuple[str, ...]
    ends_s: tuple[float, ...]
    rates: tuple[Rates, ...]  # at those ends
    turns: tuple[float, ...]  # of the major axis, there

    @classmethod
    def of(cls, coat: CoatPlan) -> Profile:
        """Return the profile of a coat as planned."""
        return cls.along(coat.ramps)

    @classmethod
    def along(cls, made: Sequence[LegRamp]) -> Profile:
        """Return the profile of these ramps, from a standstill."""
        ramps = list(made)
        while len(ramps) > 1 and ramps[-1].major_rpm == 0 and ramps[-1].minor_rpm == 0:
            ramps.pop()
        ends_s, now_s = [], 0.0
        turns, turned, before_rpm = [], 0.0, 0.0
        for ramp in ramps:
            now_s += ramp.duration_s
            ends_s.append(now_s)
            turned += 0.5 * (before_rpm + ramp.major_rpm) * ramp.duration_s / 60.0
            turns.append(turned)
            before_rpm = ramp.major_rpm
        return cls(
            tuple(ramp.leg for ramp in ramps),
            tuple(ends_s),
            tuple((ramp.major_rpm, ramp.minor_rpm) for ramp in ramps),
            tuple(turns),
        )

    def _place(self, profile_s: float) -> int:
        return bisect_right(self.ends_s, profile_s)

    def leg_at(self, profile_s: float) -> str:
        return self.legs[min(self._place(profile_s), len(self.legs) - 1)]

    def rates_at(self, profile_s: float) -> Rates:
        place = self._place(profile_s)
        if place == len(self.ends_s):
            return self.rates[-1]
        from_s = self.ends_s[place - 1] if place else 0.0
        before = self.rates[place - 1] if place else (0.0, 0.0)
        after = self.rates[place]
        share = (profile_s - from_s) / (self.ends_s[place] - from_s)
        return (
            before[0] + share * (after[0] - before[0]),
            before[1] + share * (after[1] - before[1]),
        )

    def turns_at(self, profile_s: float) -> float:
        """Turns of the major axis since the start of the spin."""
        place = self._place(profile_s)
        from_s, turns, rpm = 0.0, 0.0, 0.0
        if place:
            from_s, turns = self.ends_s[place - 1], self.turns[place - 1]
            rpm = self.rates[place - 1][0]
        return turns + 0.5 * (rpm + self.rates_at(profile_s)[0]) * (profile_s - from_s) / 60.0

    def into(
        self, rates: Rates, profile_s: float, accel_rpm_s: float, turned: float
    ) -> tuple[Ramp3, float]:
        """Enter the profile from these speeds: (ramp, profile time at its end).

        turned: angle of the major axis, in turns since the spin began. A speed law slows down at
        certain angles: entered at another phase, a spin that should thicken the rim would thicken
        the bottom. So the entry is the time nearest to `profile_s` at which the frame has the angle
        of the law. If there is none, for instance because the major axis stands still, it is the
        time with the smallest difference.
        """
        entries = []
        for k in sorted(range(-ENTRIES, ENTRIES + 1), key=abs):
            near_s = max(0.0, profile_s + k * ENTRY_S)
            entries.append(self._entry(rates, near_s, accel_rpm_s, turned))
            if entries[-1][0] < MEETS_TURNS:
                break
        _, ramp, ends_s = min(entries, key=lambda entry: entry[0])
        return ramp, ends_s

    def _entry(
        self, rates: Rates, profile_s: float, accel_rpm_s: float, turned: float
    ) -> tuple[float, Ramp3, float]:
        """Return (turns off the law's angle, ramp, profile time at its end)."""
        duration_s = transition_s(rates, self.rates_at(profile_s), accel_rpm_s)
        ends_s = profile_s + duration_s
        target = self.rates_at(ends_s)
        duration_s = transition_s(rates, target, accel_rpm_s)
        stands = turned + 0.5 * (rates[0] + target[0]) * duration_s / 60.0
        off = abs((stands - self.turns_at(ends_s) + 0.5) % 1.0 - 0.5)
        return off, (duration_s, *target), ends_s

    def onwards(self, profile_s: float, amount_s: float) -> tuple[tuple[Ramp3, ...], float]:
        """Return at least `amount_s` of the profile from this time: (ramps, time at their end)."""
        ramps: list[Ramp3] = []
        until_s = profile_s + amount_s
        while profile_s < until_s:
            place = self._place(profile_s)
            ends_s = self.ends_s[place] if place < len(self.ends_s) else math.inf
            to_s = min(ends_s, profile_s + PIECE_S)
            if ends_s - to_s < CRUMB_S:
                to_s = ends_s
            ramps.append((to_s - profile_s, *self.rates_at(to_s)))
            profile_s = to_s
        return tuple(ramps), profile_s


def transition_s(before: Rates, after: Rates, accel_rpm_s: float) -> float:
    """Duration of a change of speed within the acceleration limit, at least a second."""
    change_rpm = max(abs(after[0] - before[0]), abs(after[1] - before[1]))
    return max(1.0, change_rpm / (ACCEL_SHARE * accel_rpm_s))


def to_rest(rates: Rates, accel_rpm_s: float) -> Ramp3:
    """Ramp from these speeds to a standstill."""
    return transition_s(rates, (0.0, 0.0), accel_rpm_s), 0.0, 0.0


def frame_limits(spec: RigSpec) -> FrameLimits:
    """Limits from the rig file in the form that the board needs."""
    return FrameLimits(
        steps_per_turn_major=spec.major.steps_per_turn,
        steps_per_turn_minor=spec.minor.steps_per_turn,
        rate_limit_rpm=spec.rate_limit_rpm,
        accel_limit_rpm_s=spec.accel_limit_rpm_s,
        park_rate_rpm=min(PARK_RPM, spec.rate_limit_rpm),
    )


def expected_steps(ramps: Sequence[Ramp3], spec: RigSpec) -> tuple[int, int]:
    """Steps, major and minor, that these ramps make from rest, by the board's integer model."""
    return predict_steps([Ramp(*ramp) for ramp in ramps], frame_limits(spec))
