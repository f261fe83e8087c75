"""Cards of the library and of the record, plan jobs, and the measurements of a casting."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from evenwall.model.bounds import Frozen, Positive, Vector3, Wall_mm
from evenwall.model.plan import Plan
from evenwall.model.run import Step


class CastingCard(Frozen):
    """A casting file in the library."""

    casting_id: str
    name: str
    resin: str
    wall_mm: float


class ResinCard(Frozen):
    """A resin sheet in the library."""

    resin_id: str
    name: str


class PlanJob(Frozen):
    """A plan that is being made or is finished. rough: `plan` is a first answer, which a search
    refines. left_s: time that the search still takes, once its pace is known. casting, wall_mm,
    shop_degC and mould_degC: the values of the request."""

    job_id: str
    casting_id: str
    casting: str = ""
    wall_mm: float | None = None
    shop_degC: float | None = None
    mould_degC: float | None = None
    fraction: float = 0.0
    sentence: str = ""
    done: bool = False
    error: str | None = None
    plan: Plan | None = None
    rough: bool = False
    left_s: float | None = None


class MountingTried(Frozen):
    """A way to mount a mould in the frame, with the wall that a short trial of spins found.

    minor_axis: direction of the frame's minor axis in the mesh. mouth_lean_deg: angle between it
    and the mouth. thinnest, bound: the thinnest patch over the mean wall, of the best coats tried
    and of any mixture of them. given: as the casting's file says. better: thicker than that by more
    than trials scatter.
    """

    minor_axis: Vector3
    mouth_lean_deg: float
    thinnest: float
    bound: float | None
    given: bool
    better: bool


class MountingJob(Frozen):
    """A comparison of the ways to mount a casting's mould, under way or done.

    tried: the best first, empty until it is done. left_s: time that it still takes, once its pace
    is known.
    """

    job_id: str
    casting_id: str
    casting: str = ""
    fraction: float = 0.0
    sentence: str = ""
    done: bool = False
    error: str | None = None
    left_s: float | None = None
    tried: tuple[MountingTried, ...] = ()


class RunCard(Frozen):
    """A run in the record's list."""

    run_id: str
    casting: str
    resin: str
    started_utc: str
    ended_utc: str | None = None
    step: Step
    coats_done: int
    coats: int
    simulated: bool
    proven: bool = False
    rig: str = ""
    replay_of: str | None = None


class Spot(Frozen):
    """A place on the casting and the wall's thickness there.

    up_mm, round_deg: the exact place, where it is known: height over the mould's lowest point along
    the minor axis, and angle round it from the mould's x axis.
    """

    where: Annotated[str, Field(min_length=1, max_length=80)]
    wall_mm: Annotated[float, Field(gt=0, le=100)]
    up_mm: Annotated[float, Field(ge=0, le=5000)] | None = None
    round_deg: Annotated[float, Field(ge=-360, le=360)] | None = None


def _one_or_many(value: object) -> object:
    """Return a single reading as a list of one."""
    return (value,) if isinstance(value, int | float) else value


class Measured(Frozen):
    """The measurements of a casting. None is required, but the weight is the most useful.

    lid_g: the cured resin that came off the lid.
    """

    weight_g: Positive | None = None
    lid_g: Positive | None = None
    rim_mm: Annotated[
        tuple[Wall_mm, ...], BeforeValidator(_one_or_many), Field(max_length=100)
    ] = ()
    spots: Annotated[tuple[Spot, ...], Field(max_length=100)] = ()
