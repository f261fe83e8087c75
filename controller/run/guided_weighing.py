"""Weighing guided by the scale: the part to pour, the grams to go, and the moment of taking the
weight.

A steady reading is taken automatically, but only after the cup was placed and tared. It must rise
as slowly as a pour does: a hand or a cup put on the pan makes a jump. A weight that was taken
follows the reading until the scale is tared or the cup lifted, so a few more drops are included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from evenwall.model import ScaleView, Step, WeighingView
from evenwall.planning.weighing import WARN_PERCENT, check
from evenwall.run.alerts import WEIGHT_REFUSE
from evenwall.run.state import Coat, RunState
from evenwall.units import percent

# All of these are our own choices, tried on the simulated scale.
CUP_G = 2.0  # the lightest cup; the drift of an empty pan is smaller
ZERO_G = 0.3  # a tared scale shows no more than this
SPREAD_G = 0.15  # a reading that stays within this is steady
SETTLED_S = 0.5  # steady for this long, for cup and tare
STEADY_S = 2.0  # steady for this long, to be taken as a weight
UNWRITTEN_S = 5.0  # a weight that is not in the record by then was refused
POUR_S = 1.5  # a pour takes longer than this; an object put on the pan shows at once
SWAPPED = 0.5  # share of the weight taken: if less is on the scale, it is another cup
SAME_CUP_G = 0.5  # a cup lifted and put back weighs the same to within this
DONE = "Both parts are weighed. Press the button when they meet."
MOST = 1.25  # times the part: above this, something else is on the scale

Part = Literal["A", "B"]
Phase = Literal["cup", "tare", "pour", "taken", "done"]


@dataclass(frozen=True, slots=True)
class Portion:
    """Grams of one part to pour next, in addition to the grams already taken."""

    part: Part
    target_g: float
    taken_g: float = 0.0
    top_up: bool = False

    @property
    def tolerance_g(self) -> float:
        """Tolerance of the portion in grams: WARN_PERCENT of the whole part."""
        return WARN_PERCENT / 100.0 * (self.taken_g + self.target_g)


@dataclass(frozen=True, slots=True)
class Taken:
    """A steady weight: the whole part, in grams."""

    part: Part
    mass_g: float


def due(state: RunState, coat: Coat) -> Portion | None:
    """Return the portion to pour next; None when both parts are at their ratio.

    Part B follows the weight taken of A, so that the ratio is right. If too much of one part was
    poured, more of the other corrects the ratio.
    """
    plan = state.coat_plan
    ratio = plan.part_b_g / plan.part_a_g
    if coat.part_a_g is None:
        return Portion("A", plan.part_a_g)
    if coat.part_b_g is None:
        return Portion("B", coat.part_a_g * ratio)
    if check(coat.part_a_g, coat.part_b_g, 100.0 * ratio).verdict == "good":
        return None
    missing_a_g = coat.part_b_g / ratio - coat.part_a_g
    if missing_a_g > 0.0:
        return Portion("A", missing_a_g, coat.part_a_g, top_up=True)
    return Portion("B", coat.part_a_g * ratio - coat.part_b_g, coat.part_b_g, top_up=True)


def _may_take(state: RunState, portion: Portion, net_g: float) -> bool:
    """Whether the whole part stays within the tolerance of a mix against the plan."""
    return portion.taken_g + net_g <= (1.0 + WEIGHT_REFUSE) * _planned_g(state, portion)


def _planned_g(state: RunState, portion: Portion) -> float:
    return state.coat_plan.part_a_g if portion.part == "A" else state.coat_plan.part_b_g


class GuidedWeighing:
    """Follows the scale through the weighing of one coat after the other. Knows no clock.

    Call `look` at every reading and record the weight that it returns. A restart loses nothing: the
    run holds the weights, and cup and tare are detected again.
    """

    def __init__(self) -> None:
        self._step_id = ""
        self._begin()

    def _begin(self) -> None:
        self._phase: Phase = "cup"
        self._zero_g = 0.0  # reading that counts as zero
        self._cup_g = 0.0
        self._still_g, self._still_since_s = 0.0, math.inf
        self._left_zero_s = -math.inf  # when the pour began
        self._took: tuple[Portion, float] | None = None  # portion taken, and the net grams then
        self._took_s, self._written = 0.0, False  # time of taking, and whether the record has it
        self._not_at_g: float | None = None  # a weight taken back here is not taken again

    def look(self, now_s: float, scale: ScaleView, state: RunState) -> Taken | None:
        """Return the weight to be recorded now, if there is one.

        now_s: time on the scale's clock, in s.
        """
        if state.step is not Step.WEIGH or scale.mass_g is None:
            return None
        if state.step_id != self._step_id:
            self._step_id = state.step_id
            self._begin()
        self._hold_still(now_s, scale.mass_g, scale.steady)
        self._follow_record(now_s, state.coat)
        portion = due(state, state.coat)
        for phase, act in (("cup", self._cup), ("tare", self._tare), ("pour", self._pour)):
            if self._phase == phase:
                act(now_s, scale.mass_g)
                break
        if self._phase == "taken":
            return self._after(now_s, scale.mass_g, state)
        if self._phase == "pour" and portion is not None:
            return self._take(now_s, scale.mass_g, portion, state)
        return None

    # --- the reading -----------------------------------------------------------------------------

    def _hold_still(self, now_s: float, mass_g: float, steady: bool) -> None:
        if not steady or abs(mass_g - self._still_g) > SPREAD_G:
            self._still_g, self._still_since_s = mass_g, now_s if steady else math.inf
        elif math.isinf(self._still_since_s):
            self._still_since_s = now_s

    def _still_s(self, now_s: float) -> float:
        return now_s - self._still_since_s

    # --- cup, tare, pour -------------------------------------------------------------------------

    def _cup(self, now_s: float, mass_g: float) -> None:
        if self._still_s(now_s) < SETTLED_S:
            return
        if mass_g < self._zero_g:
            self._zero_g = mass_g  # an empty pan after a tare with the cup on it
        if mass_g - self._zero_g >= CUP_G:
            self._cup_g, self._phase = mass_g - self._zero_g, "tare"
            self._tare(now_s, mass_g)  # a cup as heavy as the last one already reads zero

    def _tare(self, now_s: float, mass_g: float) -> None:
        if self._still_s(now_s) < SETTLED_S:
            return
        if abs(mass_g) <= ZERO_G:
            self._zero_g, self._phase = mass_g, "pour"
            self._left_zero_s = -math.inf
        elif mass_g - self._zero_g < CUP_G:
            self._zero_g, self._phase = mass_g, "cup"  # the pan is empty again
        else:
            self._cup_g = mass_g - self._zero_g  # this cup or another one

    def _pour(self, now_s: float, mass_g: float) -> None:
        net_g = mass_g - self._zero_g
        if net_g <= -CUP_G:
            self._zero_g, self._phase = mass_g, "cup"
            return
        if abs(net_g) <= ZERO_G:
            self._left_zero_s = -math.inf
            if self._still_s(now_s) >= SETTLED_S:
                self._zero_g = mass_g
            return
        if math.isinf(self._left_zero_s):
            self._left_zero_s = now_s
        put_on = self._still_since_s - self._left_zero_s < POUR_S
        again = abs(net_g - self._cup_g) <= SAME_CUP_G
        if put_on and again and self._still_s(now_s) >= SETTLED_S:
            self._zero_g, self._phase = 0.0, "tare"  # it had been lifted, not tared

    def _take(self, now_s: float, mass_g: float, portion: Portion, state: RunState) -> Taken | None:
        net_g = mass_g - self._zero_g
        if self._not_at_g is not None:
            if abs(net_g - self._not_at_g) <= max(ZERO_G, portion.tolerance_g):
                return None
            self._not_at_g = None
        enough = net_g >= portion.target_g - portion.tolerance_g
        poured = self._still_since_s - self._left_zero_s >= POUR_S
        if not (enough and poured and self._still_s(now_s) >= STEADY_S):
            return None
        return self._taken(now_s, portion, net_g) if _may_take(state, portion, net_g) else None

    def _taken(self, now_s: float, portion: Portion, net_g: float) -> Taken:
        self._took, self._phase = (portion, net_g), "taken"
        self._took_s, self._written = now_s, False
        return Taken(portion.part, round(portion.taken_g + net_g, 2))

    # --- after a weight was taken ----------------------------------------------------------------

    def _follow_record(self, now_s: float, coat: Coat) -> None:
        """Check that the weight taken is still in the record: a person may take it back."""
        if self._took is None:
            return
        portion, net_g = self._took
        kept_g = coat.part_a_g if portion.part == "A" else coat.part_b_g
        before_g = portion.taken_g if portion.top_up else None
        if kept_g != before_g:
            self._written = True
        elif self._written or now_s - self._took_s > UNWRITTEN_S:
            self._took, self._phase, self._not_at_g = None, "pour", net_g

    def _after(self, now_s: float, mass_g: float, state: RunState) -> Taken | None:
        """Keep following the cup until it is lifted or the scale is tared for the next part."""
        if self._took is None:
            return None
        portion, taken_g = self._took
        net_g = mass_g - self._zero_g
        if net_g <= -CUP_G:
            self._zero_g, self._phase, self._took = mass_g, "cup", None
        elif abs(mass_g) <= ZERO_G and self._still_s(now_s) >= SETTLED_S:
            self._zero_g, self._phase, self._took = mass_g, "pour", None
            self._left_zero_s = -math.inf
        elif net_g < SWAPPED * taken_g and self._still_s(now_s) >= SETTLED_S:
            self._phase, self._took = "tare", None  # the next cup came between two readings
            self._zero_g = mass_g - self._cup_g  # as far as is known
        elif (
            net_g - taken_g > SPREAD_G
            and _may_take(state, portion, net_g)
            and self._still_s(now_s) >= STEADY_S
        ):
            return self._taken(now_s, portion, net_g)
        return None

    # --- showing ---------------------------------------------------------------------------------

    def view(self, scale: ScaleView, state: RunState) -> WeighingView | None:
        """Return the view of the weighing for the person; None when nothing is weighed."""
        if state.step is not Step.WEIGH or scale.mass_g is None:
            return None
        coat, portion = state.coat, due(state, state.coat)
        if self._phase == "taken" and self._took is not None:
            took, net_g = self._took
            if self._written:
                return self._view_taken(coat, portion, took)
            return _pouring(state, took, net_g, taken_back=False)
        if portion is None:
            return WeighingView(phase="done", sentence=DONE)
        if self._phase == "cup":
            said = f"Put the cup for part {portion.part} on the scale."
            return _view("cup", portion, said)
        if self._phase == "tare":
            return _view("tare", portion, f"Cup for part {portion.part} is on: tare the scale.")
        net_g = max(0.0, scale.mass_g - self._zero_g)
        return _pouring(state, portion, net_g, taken_back=self._not_at_g is not None)

    def _view_taken(self, coat: Coat, portion: Portion | None, took: Portion) -> WeighingView:
        mass_g = (coat.part_a_g if took.part == "A" else coat.part_b_g) or 0.0
        said = f"Part {took.part}: {mass_g:.1f} g taken."
        if portion is None:
            return WeighingView(
                phase="done", part=took.part, net_g=mass_g, sentence=f"{said} {DONE}"
            )
        if portion.top_up:
            more = f"Add {portion.target_g:.1f} g of part {portion.part}: tare the scale first."
        else:
            more = f"Tare, or put the next cup on, for {portion.target_g:.1f} g of part "
            more += f"{portion.part}."
        view = _view("taken", portion, f"{said} {more}")
        return view.model_copy(update={"part": took.part, "net_g": mass_g})


def _view(phase: Phase, portion: Portion, sentence: str) -> WeighingView:
    return WeighingView(
        phase=phase,
        part=portion.part,
        target_g=portion.target_g,
        to_go_g=portion.target_g,
        sentence=sentence,
    )


def _pouring(state: RunState, portion: Portion, net_g: float, *, taken_back: bool) -> WeighingView:
    over_g = net_g - portion.target_g
    over = over_g > portion.tolerance_g
    if over:
        said = _over(state, portion, net_g)
    elif taken_back:
        said = f"Part {portion.part} is taken back: go on pouring, or tare and start it again."
    elif portion.top_up:
        said = f"Add {portion.target_g:.1f} g of part {portion.part}."
    else:
        said = f"Pour part {portion.part}: {portion.target_g:.1f} g."
    return WeighingView(
        phase="pour",
        part=portion.part,
        target_g=portion.target_g,
        net_g=net_g,
        to_go_g=-over_g,
        over=over,
        sentence=said,
    )


def _over(state: RunState, portion: Portion, net_g: float) -> str:
    """Say how many grams are too much, and how many to add to the other part."""
    plan, whole_g = state.coat_plan, portion.taken_g + net_g
    ratio = plan.part_b_g / plan.part_a_g
    is_a = portion.part == "A"
    other = "B" if is_a else "A"
    other_due_g = whole_g * ratio if is_a else whole_g / ratio
    said = f"Part {portion.part} is {net_g - portion.target_g:.1f} g over"
    if whole_g > MOST * (portion.taken_g + portion.target_g):
        return f"{said}: is something else on the scale?"
    if not _may_take(state, portion, net_g):
        return f"{said}, more than {percent(WEIGHT_REFUSE)} of the mix: take some out."
    known_g = state.coat.part_b_g if is_a else state.coat.part_a_g
    if known_g is None:
        return f"{said}: weigh {other_due_g:.1f} g of part {other}."
    return f"{said}: add {max(0.0, other_due_g - known_g):.1f} g of part {other}."
