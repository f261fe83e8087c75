"""The parts of a plan beside its coats: the load, the workshop, the search, the recipes. Every
field has a type, because a plan may come from the network and is kept for years."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import Field

from evenwall.model.bounds import Finite, Frozen, Words
from evenwall.model.parsing import parse
from evenwall.model.plan import CoatClock, Ramp, StartAngles

LEARNT = "learnt"  # the field for what measured castings changed
FIRST_ANSWER = "first_answer"  # the field that marks a plan made without a search

Label = Annotated[str, Field(max_length=60)]
Count = Annotated[int, Field(ge=0, le=10**9)]
Row = Annotated[tuple[Finite | None, ...], Field(max_length=16)]
Figures = Annotated[dict[Label, Finite | bool | Words | None], Field(max_length=60)]


class AxisLoad(Frozen):
    torque_Nm: Finite
    motor_margin: Finite


class Counterweight(Frozen):
    for_axis: Label
    mass_g: Finite
    arm_mm: Finite
    towards: Row


class LoadDetail(Frozen):
    """The turning weight, and the motors' margin."""

    mass_kg: Finite
    centre_mm: Row
    reach_mm: Finite
    major: AxisLoad
    minor: AxisLoad
    counterweights: Annotated[tuple[Counterweight, ...], Field(max_length=12)] = ()


class ShopDetail(Frozen):
    """The day: dew point, shopping list, and the effects of a colder workshop."""

    dew_point_degC: Finite | None = None
    shopping: Figures = Field(default_factory=dict)
    five_K_colder: Figures | Words = Field(default_factory=dict)


class BaselineCoat(Frozen):
    """A coat of the profile that the plan is compared with: its differences from the plan's own."""

    clock: CoatClock
    start_deg: StartAngles = StartAngles()
    ramps: Annotated[tuple[Ramp, ...], Field(max_length=20_000)]
    viscosity: Annotated[tuple[Row, ...], Field(max_length=5000)] = ()


class SearchDetail(Frozen):
    """The search: its films and its gain."""

    films: Count
    complete: bool | None = None
    interrupted: bool = False
    score_by_films: Annotated[tuple[Row, ...], Field(max_length=5000)] = ()
    baseline: Figures = Field(default_factory=dict)
    baseline_recipe: Figures = Field(default_factory=dict)
    worst_day: Words | None = None
    gain_over_baseline: Finite | None = None
    baseline_coat: BaselineCoat | None = None  # of all coats, in older plans
    baseline_coats: Annotated[tuple[BaselineCoat, ...], Field(max_length=24)] = ()


class CoatHeatDetail(Frozen):
    """One coat on a wall that earlier coats have warmed; gel_earlier is a share of the first coat's
    gel time."""

    coat: Count
    wall_warmer_K: Finite
    gel_min: Finite
    gel_earlier: Finite


class RestDetail(Frozen):
    """Outlook of a rest before the next pour: thinnest patch over the mean, on the coarse mesh.

    rest: the share of the bonding window; longer_min: additional time of the casting."""

    rest: Finite
    longer_min: Finite
    min_over_mean: Finite


class HeatDetail(Frozen):
    """Heat that earlier coats leave in the mould, if poured soon and as planned; `why` gives the
    reason for the choice.

    Plans from before the planner included this heat have no rest, and their clocks are for a cool
    mould.
    """

    as_soon_as_allowed: Annotated[tuple[CoatHeatDetail, ...], Field(max_length=24)] = ()
    even_from_min: Finite | None = None
    waited_min: Finite
    after_waiting: Annotated[tuple[CoatHeatDetail, ...], Field(max_length=24)] = ()
    rest: Finite = 0.0
    rests: Annotated[tuple[RestDetail, ...], Field(max_length=12)] = ()
    why: Words = ""


class OddsDetail(Frozen):
    """The thinnest patch that nine castings in ten reach, and that half of them reach; scatter: the
    assumed standard deviation of each quantity. Absent if no film was computed."""

    nine_in_ten_mm: Finite
    half_mm: Finite
    draws: Count
    scatter: Figures = Field(default_factory=dict)


Factor = Annotated[float, Field(ge=0.2, le=5.0)]


class Corrections(Frozen):
    """Factors on the planned figures, 1 where nothing was learnt.

    viscosity: of the mixed resin. gel: gel time of every coat. heat: how much earlier, as a power,
    coats gel on a wall that earlier coats have warmed. lid: resin that the lid keeps. stays: resin
    that stays in the mould, over what was poured. thickness: wall of the same weight.
    """

    viscosity: Factor = 1.0
    gel: Factor = 1.0
    heat: Factor = 1.0
    lid: Factor = 1.0
    stays: Factor = 1.0
    thickness: Factor = 1.0


class LearntDetail(Frozen):
    """Changes of the plan by measured castings of this mould and resin: see `planning.lessons`.

    castings: their runs. spreads: one standard deviation of each correction, as a share.
    surprise: how far the measures were from the predicted figures, squared, over what the spreads
    allow; about 1 where they are right. wall_mm: the wall expected for it, as mean, min and rim.
    """

    castings: Annotated[tuple[Label, ...], Field(max_length=40)] = ()
    corrections: Corrections = Corrections()
    spreads: Figures = Field(default_factory=dict)
    surprise: Finite | None = None
    wall_mm: Figures = Field(default_factory=dict)
    sentences: Annotated[tuple[Words, ...], Field(max_length=12)] = ()

    @staticmethod
    def of(details: Mapping[str, Any]) -> LearntDetail:
        """Return that of a plan's details; without one, nothing was learnt. Raises InputError."""
        return parse(LearntDetail, details.get(LEARNT) or {}, f"plan.details.{LEARNT}")


class Details(Frozen):
    """All of `Plan.details`. replay is checked when it is run: see `evenwall.run.gate`."""

    load: LoadDetail | None = None
    shop: ShopDetail | None = None
    clarity: Figures = Field(default_factory=dict)
    coat_limits_mm: Figures = Field(default_factory=dict)
    search: SearchDetail | None = None
    heat: HeatDetail | None = None
    odds: OddsDetail | None = None
    recipes: Annotated[tuple[Figures, ...], Field(max_length=24)] = ()
    replay: dict[str, Any] | None = None
    learnt: LearntDetail | None = None
    form: Row = ()  # figures by which a later search finds plans of similar forms
    first_answer: bool = False  # the plan has ordinary spins, without a search
