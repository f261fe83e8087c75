"""State of a run. Only the fold of its events changes it.

Times are seconds on the rig's clock unless a name says `coat_`: those count from the moment the
coat's two parts met.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from evenwall.model import CoatPlan, Plan, SpinChange, Step
from evenwall.run.motion import Profile, Ramp3
from evenwall.run.replay import Follower


@dataclass(frozen=True, slots=True)
class Turning:
    """One stretch of turning, from one standstill of the frame to the next."""

    from_s: float
    base_steps: tuple[int, int]  # step counts of the board at the beginning
    ramps: tuple[Ramp3, ...] = ()  # handed to the board so far
    ends_s: float = 0.0  # time at which the last ramp ends
    batch_s: float = 0.0  # time at which the last ramps were handed over
    profile_s: float = 0.0  # time in the coat's profile at which the last ramp ends
    ending: bool = False  # the last ramp goes to a standstill
    exact: bool = True  # every step can be accounted for


@dataclass(frozen=True, slots=True)
class Coat:
    coat: int
    part_a_g: float | None = None
    part_b_g: float | None = None
    weighings: tuple[tuple[str, float], ...] = ()  # parts as weighed, in order, g
    weights_accepted: bool = False  # a person accepted weights that are off
    parts_met_s: float | None = None
    poured_s: float | None = None
    spin_from_s: float | None = None
    gel_coat_s: float | None = None  # gel time as found
    gel_called_s: float | None = None
    gel_how: str = ""  # probe, model or touch
    gel_says: tuple[str, ...] = ()  # forecasts so far, as codes without figures
    safe_s: float | None = None
    parked_s: float | None = None
    steps_expected: tuple[int, int] | None = None
    steps_counted: tuple[int, int] | None = None
    stood_s: float = 0.0  # time that it stood still while it should have turned
    touches: tuple[tuple[str, float], ...] = ()
    cup_left_g: float | None = None  # left in the cup, weighed back
    spill_g: float | None = None  # in the drip tray, weighed back
    mixed_again: int = 0
    lost: int = 0  # mixes of this coat that formed no wall: tipped out, or set as a pool
    lost_met_s: float | None = None  # time at which the latest lost mix was mixed
    gave_up: bool = False  # turned to the bound without gelling
    changes: tuple[SpinChange, ...] = ()  # of the rest of its spin, taken so far
    spin: Profile | None = None  # its profile with these changes; None: as planned
    offer: SpinChange | None = None  # a change that a person may take
    offers: int = 0  # changes offered or taken so far
    spin_said_s: float = 0.0  # time of the latest of them
    done: bool = False


@dataclass(frozen=True, slots=True)
class Call:
    """Call to a person: time of the last call, number of calls, and whether somebody answered."""

    last_s: float
    number: int
    answered: bool = False


@dataclass(frozen=True, slots=True)
class RunState:
    run_id: str
    plan: Plan
    simulated: bool
    started_s: float
    replay_of: str | None = None
    step: Step = Step.PREPARE
    step_no: int = 1
    entered_s: float = 0.0
    profiles: tuple[Profile, ...] = ()  # of the plan's coats
    followers: tuple[Follower, ...] = field(default=(), compare=False)  # of a replay's coats
    index: int = 0  # of the present coat
    coats: tuple[Coat, ...] = ()
    turning: Turning | None = None
    parked: str = ""  # "up", "down" or not known
    moving: str = ""  # the park that is under way or due
    halted: str = ""  # guard, stop, pause, fault or board: why the frame stands
    halted_s: float = 0.0
    guard_closed: bool | None = None
    alerts: Mapping[str, float] = field(default_factory=dict)  # kind -> since
    ticked: frozenset[int] = frozenset()  # lines of the list that are done, from 0
    drafts: Mapping[str, str] = field(default_factory=dict)  # text typed but not sent, by field
    usual_close_up_s: float | None = None  # from earlier castings of this rig
    calls: Mapping[str, Call] = field(default_factory=dict)  # open calls to a person
    measured: Mapping[str, Any] = field(default_factory=dict)
    reason: str = ""  # why it was abandoned

    @property
    def coat(self) -> Coat:
        return self.coats[self.index]

    @property
    def coat_plan(self) -> CoatPlan:
        return self.plan.coats[self.index]

    @property
    def profile(self) -> Profile:
        return self.profile_of(self.index)

    def profile_of(self, index: int) -> Profile:
        """Return the profile that a coat turns along: as planned, or as changed since."""
        return self.coats[index].spin or self.profiles[index]

    @property
    def follower(self) -> Follower | None:
        """Follower that leads this coat along a proven one, in a replay."""
        return self.followers[self.index] if self.followers else None

    @property
    def last_coat(self) -> bool:
        return self.index == len(self.coats) - 1

    @property
    def step_id(self) -> str:
        return f"{self.run_id}.{self.step_no}"

    @property
    def over(self) -> bool:
        return self.step in (Step.DONE, Step.ABANDONED)

    @property
    def spin_from_coat_s(self) -> float | None:
        """Time at which the present coat first began to turn, on its own clock."""
        return None if self.coat.spin_from_s is None else self.coat_time_s(self.coat.spin_from_s)

    def coat_time_s(self, now_s: float) -> float | None:
        """Seconds since the present coat's parts met."""
        met = self.coat.parts_met_s
        return None if met is None else now_s - met

    def put_coat(self, coat: Coat) -> RunState:
        """Return the state with another present coat."""
        coats = (*self.coats[: self.index], coat, *self.coats[self.index + 1 :])
        return replace(self, coats=coats)

    def with_coat(self, **changes: Any) -> RunState:
        """Return the state with these fields of the present coat changed."""
        return self.put_coat(replace(self.coat, **changes))
