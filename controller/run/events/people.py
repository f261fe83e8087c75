"""Events of people: weights, measures, notes, answers, and commands that changed nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, ClassVar

from pydantic import ConfigDict, Field

from evenwall.model import CoatPlan, Measured, Plan, Step, Totals, WallSummary, parse
from evenwall.model.bounds import Frozen
from evenwall.run.events.base import Answered, RunEvent
from evenwall.run.motion import Profile
from evenwall.run.state import Coat, RunState


class Weighed(Answered):
    """Both parts were weighed."""

    kind: ClassVar[str] = "weighed"
    part_a_g: float
    part_b_g: float

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        kept = state.coat.weighings
        newest = dict(kept)
        both = (("A", self.part_a_g), ("B", self.part_b_g))
        rows = (*kept, *(row for row in both if newest.get(row[0]) != row[1]))
        sent = ("part-a", "part-b")
        drafts = {name: value for name, value in state.drafts.items() if name not in sent}
        state = replace(state, drafts=drafts)
        return state.with_coat(part_a_g=self.part_a_g, part_b_g=self.part_b_g, weighings=rows)

    def line(self) -> str:
        return f"Weighed {self.part_a_g:.1f} g of A, {self.part_b_g:.1f} g of B."


class PartWeighed(Answered):
    """One part was weighed: all of it that is in its cup."""

    kind: ClassVar[str] = "part_weighed"
    part: str  # A or B
    mass_g: float

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return _with_weighings(state, (*state.coat.weighings, (self.part, self.mass_g)))

    def line(self) -> str:
        return f"Part {self.part}: {self.mass_g:.1f} g, as the {self.who} read it."


class WeightTakenBack(Answered):
    """The latest weight of a part was taken back; the one before it, if any, is valid again."""

    kind: ClassVar[str] = "weight_taken_back"
    part: str

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        kept = list(state.coat.weighings)
        for index in reversed(range(len(kept))):
            if kept[index][0] == self.part:
                del kept[index]
                break
        return _with_weighings(state, tuple(kept))

    def line(self) -> str:
        return f"The weight of part {self.part} was taken back."


def _with_weighings(state: RunState, rows: tuple[tuple[str, float], ...]) -> RunState:
    newest = dict(rows)
    return state.with_coat(
        weighings=rows,
        part_a_g=newest.get("A"),
        part_b_g=newest.get("B"),
        weights_accepted=False,
    )


class WeighedBack(Answered):
    """Cup and tray were weighed after the pour; None: not weighed."""

    kind: ClassVar[str] = "weighed_back"
    cup_left_g: float | None
    spill_g: float | None

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return state.with_coat(cup_left_g=self.cup_left_g, spill_g=self.spill_g)


class PlanRest(Frozen):
    """Parts of a new plan that the record needs: the remaining coats and their consequences."""

    coats: tuple[CoatPlan, ...]
    wall: WallSummary
    totals: Totals
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()
    details: dict[str, Any] = Field(default_factory=dict)


class Replanned(Answered):
    """The remaining coats were planned again; the coats laid stay as they were planned."""

    kind: ClassVar[str] = "replanned"
    rest: PlanRest

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        laid = state.index + 1
        rest = {name: getattr(self.rest, name) for name in self.rest.model_fields_set}
        coats = (*state.plan.coats[:laid], *self.rest.coats)
        plan = parse(Plan, {**dict(state.plan), **rest, "coats": coats, "sha256": ""}, self.kind)
        return replace(
            state,
            plan=plan,
            profiles=tuple(Profile.of(planned) for planned in plan.coats),
            coats=(
                *state.coats[:laid],
                *(Coat(coat=planned.coat) for planned in plan.coats[laid:]),
            ),
        )


class Refined(Answered):
    """The full plan replaced the first answer with which the run began.

    Weights and ticks stay.
    """

    kind: ClassVar[str] = "refined"
    rest: PlanRest

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        rest = {name: getattr(self.rest, name) for name in self.rest.model_fields_set}
        plan = parse(Plan, {**dict(state.plan), **rest, "sha256": ""}, self.kind)
        begun = state.coats[: state.index + 1]
        return replace(
            state,
            plan=plan,
            profiles=tuple(Profile.of(planned) for planned in plan.coats),
            coats=(*begun, *(Coat(coat=planned.coat) for planned in plan.coats[len(begun) :])),
        )


class CastingMeasured(RunEvent, Measured):
    """The casting was measured; a later measure replaces an earlier one of the same name."""

    model_config = ConfigDict(extra="ignore")
    kind: ClassVar[str] = "measured"

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        return replace(state, measured={**state.measured, **self.data()})

    def line(self) -> str:
        # Rounded to the resolution of scales and calipers: a figure typed in ounces or inches has
        # endless decimals.
        said = [] if self.weight_g is None else [f"{round(self.weight_g, 2):g} g"]
        said += [f"rim {round(rim_mm, 2):g} mm" for rim_mm in self.rim_mm]
        places = [f"{spot.where}:" if "," in spot.where else spot.where for spot in self.spots]
        said += [
            f"{place} {round(spot.wall_mm, 2):g} mm"
            for place, spot in zip(places, self.spots, strict=True)
        ]
        between = "; " if any("," in place for place in places) else ", "
        return f"Measured: {between.join(said)}."


class Noted(Answered):
    """A person wrote a note."""

    kind: ClassVar[str] = "noted"
    text: str = ""

    def line(self) -> str:
        return self.text


class QuestionAnswered(Answered):
    """A person answered a question of the controller."""

    kind: ClassVar[str] = "answered"
    question: str
    value: str = ""

    def fold(self, state: RunState, at_s: float) -> RunState:
        del at_s
        if self.question == "weights_off":
            return state.with_coat(weights_accepted=True)
        return state


class Asked(Answered):
    """A command was accepted; the events after it show its effects."""

    kind: ClassVar[str] = "asked"
    hidden: ClassVar[bool] = True


class Refused(Answered):
    """A command was refused, with the reason in the answer."""

    kind: ClassVar[str] = "refused"

    def line(self) -> str:
        return f"Not done: {self.sentence}"


class Pressed(RunEvent):
    """The button at the frame was pressed, and the next step taken."""

    kind: ClassVar[str] = "pressed"
    step: Step
    long: bool = False  # a long press pauses or goes back

    def line(self) -> str:
        return "Button at the frame."


class Proven(Answered):
    """The run was compared with its plan and closed for good."""

    kind: ClassVar[str] = "proven"
    proof: dict[str, Any]
    sha256: str = ""
