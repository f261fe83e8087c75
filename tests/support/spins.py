"""Changes of a coat's spin for tests: slower turning for the rest of it."""

from __future__ import annotations

from typing import Any

from evenwall.model import CoatPlan, CoatUnderWay, Plan, Ramp, RigSpec, SpinChange
from evenwall.model.seal import sealed
from evenwall.run.motion import Profile
from tests.support.virtual_shop import lantern_plan

EASE_S = 5.0  # of the ramp from the planned speeds


def with_wall(spin_changes: str = "off") -> Plan:
    """The lantern's plan with a computed wall, on a rig that may change its spins."""
    plan = lantern_plan()
    changed = {
        "wall": plan.wall.model_copy(update={"min_mm": 4.1}),
        "rig": plan.rig.model_copy(update={"spin_changes": spin_changes}),
    }
    return sealed(plan.model_copy(update=changed))


def slower(coat: CoatPlan, from_s: float, share: float = 0.7, **fields: Any) -> SpinChange:
    """The rest of a coat from `from_s` on at this share of its speeds there."""
    profile = Profile.of(coat)
    major_rpm, minor_rpm = (share * rate for rate in profile.rates_at(from_s))
    made = tuple(
        Ramp(leg="changed", duration_s=duration_s, major_rpm=major_rpm, minor_rpm=minor_rpm)
        for duration_s in (EASE_S, profile.ends_s[-1] - from_s - EASE_S)
    )
    figures = {"going_on_mm": 3.7, "changed_mm": 3.9, "gain_low_mm": 0.1, "why": "gel_early"}
    return SpinChange.model_validate(
        {"coat": coat.coat, "from_profile_s": from_s, "ramps": made, **figures, **fields}
    )


class Answering:
    """Replaces the solver: slows every coat down, and remembers the requests."""

    def __init__(self, **fields: Any) -> None:
        self.asked: list[tuple[Plan, Plan, CoatUnderWay, float]] = []
        self.fields = fields

    def __call__(
        self,
        planned: Plan,
        laid: Plan,
        lost: tuple[int, ...],
        now: CoatUnderWay,
        spec: RigSpec,
        *,
        from_profile_s: float,
    ) -> SpinChange | None:
        self.asked.append((planned, laid, now, from_profile_s))
        return slower(planned.coats[now.coat - 1], from_profile_s, **self.fields)
