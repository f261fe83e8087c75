"""Repeat a proven spin by cure and not by the clock.

A film's motion is dh/dt = -div(rho g h^3/(3 mu(t)) grad P) where P depends on the frame's position.
Expressed over the flow path, the integral of dt/mu, the equation contains neither time nor
temperature. So a frame that passes the same angles at the same remaining flow path leaves the same
wall. (Neglected: the centrifugal part, 2 % of gravity at 10 rpm and 0.2 m, which is proportional to
the speed squared.)

A proven coat is stored as its ramps with a table of its cure: time, equivalent age and remaining
path to the gel. On another day each ramp is stretched or shortened so that it ends at the same
remaining path; both speeds change by the same factor, so the frame passes the same angles. After
the gel nothing flows, and the equivalent age alone decides how long the turning goes on.

The rig may be too slow, or the expected gel may change during the coat. Then whole turns of the
major axis are left out or repeated, which changes neither the angles against gravity nor a law that
depends on earlier angles.
"""

from __future__ import annotations

from evenwall.run.replay.cure_path import AgeSeconds, CurePath, CureTable, Floats, PathLeft
from evenwall.run.replay.follower import Follower, Ramp3
from evenwall.run.replay.proven import (
    DETAIL,
    ProvenCoat,
    ProvenRun,
    ReplayCoat,
    ReplayPlan,
    RunId,
    replay_of,
)
from evenwall.run.replay.ramps import EASE_MOST, EASE_S, begin_at, next_ramps
from evenwall.run.replay.today import (
    LEAST_BY_HAND_S,
    cure_of_coat,
    kinetics_of,
    plan_as_it_was,
    plan_today,
)
from evenwall.run.replay.track import PIECE_S, SAME_DEG, SAME_SPEED, TAIL, Limits, Place, Track

__all__ = [
    "DETAIL",
    "EASE_MOST",
    "EASE_S",
    "LEAST_BY_HAND_S",
    "PIECE_S",
    "SAME_DEG",
    "SAME_SPEED",
    "TAIL",
    "AgeSeconds",
    "CurePath",
    "CureTable",
    "Floats",
    "Follower",
    "Limits",
    "PathLeft",
    "Place",
    "ProvenCoat",
    "ProvenRun",
    "Ramp3",
    "ReplayCoat",
    "ReplayPlan",
    "RunId",
    "Track",
    "begin_at",
    "cure_of_coat",
    "kinetics_of",
    "next_ramps",
    "plan_as_it_was",
    "plan_today",
    "replay_of",
]
