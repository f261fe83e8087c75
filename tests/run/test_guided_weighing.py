"""Weighing guided by the scale: the weights that are taken, those that are not, and how one is
taken back."""

from __future__ import annotations

import re

import pytest

from evenwall.errors import InputError
from evenwall.model import ScaleView, Step, WeighingView
from evenwall.run.guided_weighing import MOST, POUR_S, STEADY_S, GuidedWeighing
from evenwall_bridge.serial_scale import parse_line
from evenwall_bridge.sim_scale import PERIOD_S, SETTLES, Pan
from tests.run.bench import Bench

CUP_G = 12.4


class Person:
    """A scale, a pan, and somebody who pours; what the scale takes goes into the run."""

    def __init__(self) -> None:
        self.bench = Bench().until(Step.WEIGH)
        self.pan, self.guide = Pan(), GuidedWeighing()
        self.now_s, self.on_g = 0.0, 0.0
        self.taken: list[tuple[str, float]] = []
        self.said: list[str] = []
        self.scale = ScaleView()

    def wait(self, duration_s: float) -> None:
        for _ in range(round(duration_s / PERIOD_S)):
            self.now_s += PERIOD_S
            mass_g, steady = parse_line(self.pan.line())
            self.scale = ScaleView(mass_g=mass_g, steady=steady is not False)
            taken = self.guide.look(self.now_s, self.scale, self.bench.state)
            if taken is not None:
                self.taken.append((taken.part, taken.mass_g))
                answer = self.bench.ask("weigh_part", part=taken.part, mass_g=taken.mass_g)
                assert answer.accepted, answer.sentence
            if self.view.sentence not in self.said[-1:]:
                self.said.append(self.view.sentence)

    @property
    def view(self) -> WeighingView:
        view = self.guide.view(self.scale, self.bench.state)
        assert view is not None
        return view

    def put(self, mass_g: float) -> None:
        """Put a load on at once, like a cup or a hand."""
        self.on_g += mass_g
        self.pan.load(self.on_g)
        self.wait((SETTLES + 1) * PERIOD_S + 0.8)

    def tare(self) -> None:
        self.pan.tare()
        self.wait(1.0)

    def pour(self, mass_g: float, duration_s: float = 6.0) -> None:
        for _ in range(round(duration_s / PERIOD_S)):
            self.on_g += mass_g / round(duration_s / PERIOD_S)
            self.pan.load(self.on_g)
            self.wait(PERIOD_S)
        self.wait((SETTLES + 1) * PERIOD_S + STEADY_S + 0.5)  # and a look at the record

    def weigh(self, mass_g: float) -> None:
        """Weigh in the usual way: cup on, tare, pour."""
        self.put(CUP_G)
        self.tare()
        self.pour(mass_g)

    def lift(self) -> None:
        self.on_g = 0.0
        self.pan.load(0.0)
        self.wait(1.5)


@pytest.fixture
def person() -> Person:
    return Person()


def planned(person: Person) -> tuple[float, float]:
    plan = person.bench.state.coat_plan
    return plan.part_a_g, plan.part_b_g


def weights(person: Person) -> tuple[float | None, float | None]:
    return person.bench.state.coat.part_a_g, person.bench.state.coat.part_b_g


# What a display of 0.1 g and a pour in tenths may differ by.
SHOWN_G = 0.11


def test_two_cups_are_taken_without_a_press(person: Person) -> None:
    part_a_g, part_b_g = planned(person)
    person.weigh(part_a_g)
    person.lift()
    person.weigh(part_b_g)
    assert weights(person) == pytest.approx((part_a_g, part_b_g), abs=SHOWN_G)
    assert [part for part, _ in person.taken] == ["A", "B"]
    assert person.view.phase == "done"
    assert "weighed" in person.bench.kinds()  # whoever reads the record finds both, as before


def test_a_cup_swapped_faster_than_a_reading_is_to_be_tared(person: Person) -> None:
    part_a_g, part_b_g = planned(person)
    person.weigh(part_a_g)
    person.on_g = CUP_G + 2.2  # the second cup is heavier than the first
    person.pan.load(person.on_g)
    person.wait(2.0)
    assert person.view.phase == "tare"
    person.tare()
    person.pour(part_b_g)
    assert weights(person) == pytest.approx((part_a_g, part_b_g), abs=SHOWN_G)


def test_one_cup_tared_between_the_parts(person: Person) -> None:
    part_a_g, part_b_g = planned(person)
    person.weigh(part_a_g)
    person.tare()
    person.pour(part_b_g)
    assert weights(person) == pytest.approx((part_a_g, part_b_g), abs=SHOWN_G)


def test_the_person_is_told_every_step(person: Person) -> None:
    part_a_g, part_b_g = planned(person)
    person.wait(1.0)
    person.weigh(part_a_g)
    person.wait(0.5)
    taken_g = weights(person)[0]
    assert person.said == [
        "Put the cup for part A on the scale.",
        "Cup for part A is on: tare the scale.",
        f"Pour part A: {part_a_g:.1f} g.",
        f"Part A: {taken_g:.1f} g taken. Tare, or put the next cup on, for "
        f"{taken_g / part_a_g * part_b_g:.1f} g of part B.",  # to go with what was taken of A
    ]


def test_nothing_is_said_to_be_taken_before_the_record_has_it(person: Person) -> None:
    person.weigh(planned(person)[0])
    person.wait(0.5)
    assert not any("0.0 g taken" in said for said in person.said)


def test_grams_to_go_run_along(person: Person) -> None:
    part_a_g, _ = planned(person)
    person.put(CUP_G)
    person.tare()
    person.pour(part_a_g - 10.0)
    assert person.view.to_go_g == pytest.approx(10.0, abs=SHOWN_G)
    assert person.taken == []


def test_what_is_put_on_at_once_is_never_a_weight(person: Person) -> None:
    """A hand on the pan, or a full cup, does not count, however near to the part's weight."""
    part_a_g, _ = planned(person)
    person.put(CUP_G)
    person.tare()
    person.put(part_a_g)
    person.wait(10.0)
    assert person.taken == []


def test_nothing_is_taken_before_cup_and_tare(person: Person) -> None:
    person.pour(planned(person)[0])
    person.wait(10.0)
    assert person.taken == []


def test_a_cup_lifted_and_put_back_is_no_pour(person: Person) -> None:
    person.put(CUP_G)
    person.lift()  # the display shows zero, as after a tare
    person.put(CUP_G)
    assert person.view.phase == "tare"
    person.tare()
    person.pour(planned(person)[0])
    assert [part for part, _ in person.taken] == ["A"]


def test_a_few_drops_more_are_in_the_record(person: Person) -> None:
    part_a_g, _ = planned(person)
    person.weigh(part_a_g * 0.995)
    person.pour(part_a_g * 0.005, duration_s=2.0)
    assert weights(person)[0] == pytest.approx(part_a_g, abs=SHOWN_G)
    assert len(person.taken) == 2


def test_one_press_takes_back_and_the_same_reading_is_not_taken_again(person: Person) -> None:
    part_a_g, _ = planned(person)
    person.weigh(part_a_g)
    person.wait(1.0)
    assert person.bench.ask("take_back").accepted
    person.wait(10.0)
    assert weights(person)[0] is None
    assert len(person.taken) == 1
    assert "taken back" in person.view.sentence
    person.tare()
    person.pour(part_a_g)
    assert weights(person)[0] == pytest.approx(part_a_g, abs=SHOWN_G)


def test_too_much_of_a_is_told_at_once_and_b_follows(person: Person) -> None:
    part_a_g, part_b_g = planned(person)
    person.put(CUP_G)
    person.tare()
    person.pour(part_a_g * 1.03, duration_s=6.0)
    told = [re.search(r"g over: weigh (\S+) g of part B", said) for said in person.said]
    due_g = float(next(found for found in reversed(told) if found)[1])
    assert due_g == pytest.approx(1.03 * part_b_g, abs=SHOWN_G)
    person.tare()
    person.pour(due_g)
    assert person.view.phase == "done"


def test_too_much_of_b_is_put_right_with_a(person: Person) -> None:
    part_a_g, part_b_g = planned(person)
    person.weigh(part_a_g)
    person.tare()
    person.pour(part_b_g * 1.04)
    told = next(said for said in person.said if "Part B is" in said)
    assert "of part A" in told
    assert person.view.target_g == pytest.approx(0.04 * part_a_g, abs=0.3)
    person.tare()
    person.pour(person.view.target_g)
    assert person.view.phase == "done"
    assert weights(person)[0] == pytest.approx(1.04 * part_a_g, abs=0.3)


def test_far_too_much_is_to_be_taken_out(person: Person) -> None:
    part_a_g, _ = planned(person)
    person.put(CUP_G)
    person.tare()
    person.pour(part_a_g * 1.1)
    assert person.said[-2].endswith("take some out.") or person.said[-1].endswith("take some out.")


def test_something_else_on_the_pan_is_not_taken(person: Person) -> None:
    person.put(CUP_G)
    person.tare()
    person.pour(planned(person)[0] * MOST * 1.1, duration_s=2 * POUR_S + 2.0)
    assert person.taken == []
    assert person.view.sentence.endswith("is something else on the scale?")


def test_an_empty_pan_far_below_nought_waits_for_the_cup(person: Person) -> None:
    """The scale was tared with a full cup, which is now gone: the new cup reads below 0."""
    person.put(CUP_G + 60.0)
    person.pan.tare()
    person.lift()
    person.bench.ask("note", text="another coat")
    assert person.view.phase == "cup"
    person.put(CUP_G)
    assert person.view.phase == "tare"
    person.wait(5.0)
    assert person.view.phase == "tare"
    person.tare()
    person.pour(planned(person)[0])
    assert [part for part, _ in person.taken] == ["A"]


def test_typed_weights_end_it(person: Person) -> None:
    part_a_g, part_b_g = planned(person)
    person.put(CUP_G)
    person.bench.ask("weigh", part_a_g=part_a_g, part_b_g=part_b_g)
    person.wait(1.0)
    assert person.view.phase == "done"


def test_a_part_is_weighed_only_while_weighing() -> None:
    bench = Bench().until(Step.MIX)
    assert not bench.ask("weigh_part", part="A", mass_g=50.0).accepted
    bench = Bench().until(Step.WEIGH)
    for part, mass_g in (("C", 50.0), ("A", -1.0)):
        with pytest.raises(InputError):
            bench.ask("weigh_part", part=part, mass_g=mass_g)
    assert not bench.ask("take_back").accepted
