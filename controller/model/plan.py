"""The plan: coats with their weights, clock and ramps, and the predicted wall."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import Field

from evenwall.model.bounds import (
    MOST_COATS,
    Angle_deg,
    Frozen,
    Grams,
    Hash,
    LeftGrams,
    Moment_s,
    NonNegative,
    Positive,
    Rate_rpm,
    Span_s,
    Thickness_mm,
    Vector3,
    Wall_mm,
    Words,
)
from evenwall.model.casting import Casting
from evenwall.model.rig import RigSpec


class Ramp(Frozen):
    """A linear change of both speeds, in `duration_s`, from their present values to these."""

    leg: Annotated[str, Field(max_length=40)]
    duration_s: Span_s
    major_rpm: Rate_rpm
    minor_rpm: Rate_rpm


class CoatClock(Frozen):
    """Seconds from the moment the coat's two parts meet.

    pour_from_s: the mix stays in its cup until then; with 0 it is poured as soon as it is degassed.
    turn_by_s: a later start of turning makes the thinnest place of the wall clearly thinner; None
    in plans made before this field existed.
    """

    pour_from_s: Moment_s = 0.0
    pour_by_s: Span_s
    spin_from_s: Moment_s
    turn_by_s: Span_s | None = None
    gel_expected_s: Span_s
    gel_low_s: Span_s
    gel_high_s: Span_s
    spin_until_s: Span_s
    next_pour_from_s: Span_s
    next_pour_until_s: Span_s


class StartAngles(Frozen):
    major: Angle_deg = 0.0
    minor: Angle_deg = 0.0


# Water has 0.001 Pa s; at a resin's gel the viscosity is too high for any film to move.
Pascal_s = Annotated[float, Field(ge=1e-4, le=1e12, allow_inf_nan=False)]
WITNESS_G = 30.0  # a smaller mass in the cup hardly warms a probe (common practice, no source)


class CoatPlan(Frozen):
    coat: Annotated[int, Field(ge=1, le=MOST_COATS)]
    mean_mm: Thickness_mm
    mix_g: Grams
    part_a_g: Grams
    part_b_g: Grams
    cup_left_g: LeftGrams
    spill_g: LeftGrams
    lid_g: LeftGrams = 0.0  # share of the pour that a cap takes
    clock: CoatClock
    start_deg: StartAngles = StartAngles()
    # Warming of the mould by earlier coats at the pour of this one.
    wall_warmer_K: Annotated[float, Field(ge=-20.0, le=60.0)] = 0.0
    ramps: Annotated[tuple[Ramp, ...], Field(max_length=20_000)]
    # (time_s of the coat's clock, Pa s)
    viscosity: Annotated[tuple[tuple[Moment_s, Pascal_s], ...], Field(max_length=5000)] = ()
    opening_state: Literal["open", "capped"] = "open"

    @property
    def in_mould_g(self) -> float:
        """Grams that are poured and not spilt: those of the wall and of the lid."""
        return self.mix_g - self.cup_left_g - self.spill_g

    @property
    def wall_share(self) -> float:
        """Share of `in_mould_g` that stays on the wall; the lid has the rest."""
        return 1.0 - self.lid_g / self.in_mould_g

    @property
    def witness_g(self) -> float:
        """Grams left in the cup with the probe after the pour; an older plan may not count it."""
        return max(self.cup_left_g, WITNESS_G)


class OpeningFound(Frozen):
    centre_mm: Vector3
    direction: Vector3
    area_cm2: NonNegative


class Geometry(Frozen):
    area_cm2: Positive
    solid_volume_cm3: Positive
    opening: OpeningFound
    mesh_sha256: Hash


class WallSummary(Frozen):
    """Predicted wall. Figures beyond the mean are null until the film has been computed."""

    target_mm: Thickness_mm
    mean_mm: Wall_mm  # 0 where every coat was lost
    min_mm: Wall_mm | None = None
    min_point_mm: Wall_mm | None = None
    p05_mm: Wall_mm | None = None
    p95_mm: Wall_mm | None = None
    rim_mm: Wall_mm | None = None
    rim_min_mm: Wall_mm | None = None
    cv: NonNegative | None = None
    mesh_mm: Wall_mm | None = None
    mesh_error_mm: Wall_mm | None = None
    shape_error_mm: Wall_mm | None = None
    worst_case_min_mm: Wall_mm | None = None
    bound_min_mm: Wall_mm | None = None
    note: Words = ""

    @property
    def error_mm(self) -> float | None:
        """Error of the thinnest patch, from mesh and shape in quadrature; None if neither is
        known."""
        known = [part for part in (self.mesh_error_mm, self.shape_error_mm) if part is not None]
        return math.hypot(*known) if known else None


class Totals(Frozen):
    resin_g: Positive
    hollow_g: Positive
    solid_g: Positive
    saved_fraction: Annotated[float, Field(ge=-1000, le=1)]
    cost: NonNegative | None = None
    elapsed_min: Positive
    demould_from_min: Positive


Sentences = Annotated[tuple[Words, ...], Field(max_length=200)]


class Plan(Frozen):
    """PLAN.json. Other programs read it, so names change only on purpose; keys may be added."""

    kind: Literal["evenwall/plan"] = "evenwall/plan"
    version: Literal[1] = 1
    casting: Casting
    rig: RigSpec
    seed: Annotated[int, Field(ge=-(2**63), lt=2**64)] = 0
    geometry: Geometry
    coats: Annotated[tuple[CoatPlan, ...], Field(max_length=MOST_COATS)]
    wall: WallSummary
    totals: Totals
    cautions: Sentences
    notes: Sentences = ()
    limits: Sentences = ()  # the places of the wall that are too thin, and the reasons
    details: dict[str, Any] = Field(
        default_factory=dict
    )  # load, search, clarity, shop: see details.py
    sha256: Annotated[str, Field(pattern=r"^([0-9a-f]{64})?$")] = ""  # its seal; see seal.py
