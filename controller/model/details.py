"""The parts of a plan beside its coats: the load, the shop, the search, the recipes. Typed to the
last leaf, because a plan may come from the network and is kept for years."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from evenwall.model.bounds import Finite, Frozen, Words
from evenwall.model.plan import CoatClock, Ramp, StartAngles

FIRST_ANSWER = "first_answer"  # the field of a plan that no search has made yet

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
    """The weight that turns, and what the motors have left."""

    mass_kg: Finite
    centre_mm: Row
    reach_mm: Finite
    major: AxisLoad
    minor: AxisLoad
    counterweights: Annotated[tuple[Counterweight, ...], Field(max_length=12)] = ()


class ShopDetail(Frozen):
    """The day: dew point, shopping list, what a colder shop changes."""

    dew_point_degC: Finite | None = None
    shopping: Figures = Field(default_factory=dict)
    five_K_colder: Figures | Words = Field(default_factory=dict)


class BaselineCoat(Frozen):
    """The compared profile's coat: what differs from the plan's own."""

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
    baseline_coat: BaselineCoat | None = None


class CoatHeatDetail(Frozen):
    """One coat on the wall that earlier coats warmed; gel_earlier is a share of the first's."""

    coat: Count
    wall_warmer_K: Finite
    gel_min: Finite
    gel_earlier: Finite


class HeatDetail(Frozen):
    """Heat that earlier coats leave in the mould, poured soon and after a wait."""

    as_soon_as_allowed: Annotated[tuple[CoatHeatDetail, ...], Field(max_length=24)] = ()
    even_from_min: Finite | None = None
    waited_min: Finite
    after_waiting: Annotated[tuple[CoatHeatDetail, ...], Field(max_length=24)] = ()


class Details(Frozen):
    """`Plan.details`, all of it. replay is checked by what runs it: see `evenwall.run.gate`."""

    load: LoadDetail | None = None
    shop: ShopDetail | None = None
    clarity: Figures = Field(default_factory=dict)
    coat_limits_mm: Figures = Field(default_factory=dict)
    search: SearchDetail | None = None
    heat: HeatDetail | None = None
    recipes: Annotated[tuple[Figures, ...], Field(max_length=24)] = ()
    replay: dict[str, Any] | None = None
    form: Row = ()  # by which a later search finds plans of forms alike
    first_answer: bool = False  # usual spins; nothing was searched for
