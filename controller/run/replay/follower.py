"""Follower: makes today's coat repeat its proven one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenwall.model import (
    Plan,
    Ramp,
    ReplayView,
)
from evenwall.run.replay.cure_path import CurePath, Floats
from evenwall.run.replay.proven import DETAIL, replay_of
from evenwall.run.replay.ramps import begin_at, next_ramps
from evenwall.run.replay.track import PIECE_S, Limits, Place, Track

Ramp3 = tuple[float, float, float]  # duration_s, major_rpm, minor_rpm


@dataclass(frozen=True, eq=False)
class Follower:
    """Makes one coat of today repeat its proven one."""

    run_id: str
    track: Track
    forecast: CurePath
    forecast_degC: float
    thinning_1_K: float
    limits: Limits

    @staticmethod
    def all_of(plan: Plan) -> tuple[Follower, ...]:
        """Return one follower for each coat of a replayed plan; none for any other plan."""
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
        """Return today's cure from the gel time estimated by the probe and the measured room."""
        if gel_s is None:
            return self.forecast
        warmer_K = 0.0 if room_degC is None else room_degC - self.forecast_degC
        return self.forecast.gelling_at(gel_s, math.exp(self.thinning_1_K * warmer_K))

    def due_s(self, spin_from_s: float, gel_s: float | None, room_degC: float | None) -> Floats:
        """Return the times on today's coat clock at which the proven moments are due."""
        return self.track.due_s(self.today(gel_s, room_degC), spin_from_s)

    def into(self, due_s: Floats, now: Place, turned: float) -> tuple[Ramp3, Place]:
        """Return the ramp from the present speeds and angle to the track: see `begin_at`."""
        ramp, place = begin_at(self.track, due_s, now, turned, self.limits)
        return _bare(ramp), place

    def onwards(
        self, due_s: Floats, place: Place, amount_s: float
    ) -> tuple[tuple[Ramp3, ...], Place]:
        """Return ramps from `place` on that last at least `amount_s`: see `next_ramps`."""
        until_s = place.at_s + amount_s
        ramps, place = next_ramps(self.track, due_s, place, self.limits, until_s)
        return tuple(_bare(ramp) for ramp in ramps), place

    def deviation(
        self, today: CurePath, spin_from_s: float, time_s: float, ends: Place
    ) -> ReplayView:
        """Compare today's coat with the proven one at `time_s` of its clock.

        ends: the place at which the ramps handed over will end.
        """
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
        step = "turning keeps pace with the cure"
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
            f"expected to gel at {today.gel_s / 60:.1f} min; {step}.",
        )


def _bare(ramp: Ramp) -> Ramp3:
    return ramp.duration_s, ramp.major_rpm, ramp.minor_rpm
