"""One button at the frame: a short press goes on, a long one goes back; light and buzzer show
which."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from gpiozero.pins.mock import MockFactory

from evenwall.devices.gpio import LONG_S, GpioInputs, GpioOutputs
from evenwall.devices.interfaces import Light, Press
from evenwall.model import FrameButton, Step
from evenwall.run.frame_button import DONE_BEEPS, REFUSED_BEEPS, frame_button, light_of
from evenwall.run.observation import Hold, Observation, Queue, Show, Sound
from evenwall.run.step import step
from evenwall_bridge.clock import ManualClock
from tests.run.bench import Bench

HOLD = {"presses": (Press.LONG,)}


def seen(bench: Bench) -> Observation:
    return Observation(rig=bench.rig)


def shown(bench: Bench) -> FrameButton:
    return frame_button(bench.state, bench.now_s, seen(bench))


def beeps(bench: Bench, press: Press) -> list[int]:
    _, actions = step(bench.state, bench.now_s, Observation(rig=bench.rig, presses=(press,)))
    return [action.repeats for action in actions if isinstance(action, Sound)]


def test_the_button_alone_goes_through_a_whole_coat() -> None:
    bench = Bench()
    bench.look()
    assert shown(bench).long == "The list is done"
    bench.look(presses=(Press.LONG,))
    order = [bench.state.step]
    while bench.state.step is not Step.SPIN:
        if bench.state.step is Step.WEIGH:
            plan = bench.state.coat_plan
            bench.ask("weigh", part_a_g=plan.part_a_g, part_b_g=plan.part_b_g)
        assert shown(bench).short
        bench.press()
        bench.wait(3.0)
        order.append(bench.state.step)
    assert order == [
        Step.PREPARE, Step.WEIGH, Step.MIX, Step.DEGAS, Step.POUR, Step.CLOSE_UP, Step.SPIN,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("step_", "light", "short"),
    [
        (Step.PREPARE, "moves_next", "Ready"),
        (Step.WEIGH, "asking", "Parts together"),
        (Step.POUR, "asking", "Poured"),
        (Step.CLOSE_UP, "moves_next", "Start turning"),
        (Step.SPIN, "turning", ""),
        (Step.REST, "ready", ""),
    ],
)
def test_the_light_says_what_the_next_press_does(step_: Step, light: str, short: str) -> None:
    bench = Bench()
    if step_ is Step.REST:
        bench.until(Step.SPIN)
        bench.ask("touch", what="coat", confirmed=True)
        bench.wait(60.0)
        assert bench.state.step is Step.REST
    else:
        bench.until(step_)
    if step_ is Step.PREPARE:
        bench.tick()
    assert (shown(bench).light, shown(bench).short) == (light, short)


def test_never_a_start_without_the_guard() -> None:
    """No press, short or long, of any number, moves the frame while the guard is open."""
    for step_ in (Step.PREPARE, Step.CLOSE_UP):
        bench = Bench().until(step_)
        bench.guard(False)
        before = len(bench.told)
        for press in (Press.NEXT, Press.LONG, Press.NEXT):
            bench.look(presses=(press,))
        moved = [told for told in bench.told[before:] if not isinstance(told, Hold)]
        assert moved == []
        assert shown(bench).short in ("", "Poured")  # a long press may have gone back to the pour


def test_a_long_press_pauses_and_a_short_one_lets_it_turn_again() -> None:
    bench = Bench().until(Step.SPIN)
    bench.wait(30.0)
    assert shown(bench).long == "Pause"
    bench.look(**HOLD)
    assert bench.state.halted == "pause"
    assert isinstance(bench.told[-1], Hold)
    assert shown(bench).short == "Turn again"
    bench.look(**HOLD)
    assert bench.state.halted == "pause"  # a long press never starts it
    bench.press()
    assert bench.state.turning is not None
    assert isinstance(bench.told[-1], Queue)


def test_a_paused_frame_stays_while_the_guard_is_open() -> None:
    bench = Bench().until(Step.SPIN)
    bench.wait(30.0)
    bench.look(**HOLD)
    bench.guard(False)
    assert shown(bench).short == ""
    bench.press()
    assert bench.state.turning is None
    bench.guard(True)
    assert bench.state.turning is None  # nor does it start by itself when the guard closes
    bench.press()
    assert bench.state.turning is not None


def test_a_press_that_was_taken_and_one_that_was_not_sound_different() -> None:
    bench = Bench().until(Step.MIX)
    assert beeps(bench, Press.NEXT) == [DONE_BEEPS]
    bench.until(Step.SPIN)
    bench.wait(5.0)
    assert beeps(bench, Press.NEXT) == [REFUSED_BEEPS]


def test_a_press_says_that_the_cup_has_gelled_when_the_sheet_asks() -> None:
    bench = Bench().until(Step.SPIN)
    clock = bench.state.coat_plan.clock
    bench.press()
    assert bench.state.coat.touches == ()  # not asked: refused
    bench.wait(1.06 * clock.gel_high_s, look_s=5.0)
    assert "no_gel" in bench.alerts()
    assert shown(bench).short == "Cup has gelled"
    bench.press()
    assert [what for what, _ in bench.state.coat.touches] == ["cup"]
    assert bench.state.turning is not None


@pytest.mark.parametrize(
    ("step_", "back", "label"),
    [
        (Step.MIX, Step.WEIGH, "Take back: parts together"),
        (Step.DEGAS, Step.MIX, "Take back: mixed"),
        (Step.POUR, Step.DEGAS, "Take back: degassed"),
        (Step.CLOSE_UP, Step.POUR, "Take back: poured"),
    ],
)
@pytest.mark.parametrize("by", ["button", "page"])
def test_the_last_step_is_taken_back(step_: Step, back: Step, label: str, by: str) -> None:
    bench = Bench().until(step_)
    assert shown(bench).long == label
    if by == "button":
        bench.look(**HOLD)
    else:
        assert bench.ask("step_back").accepted
    assert bench.state.step is back
    assert "step_taken_back" in bench.kinds()


def test_parts_together_pressed_too_early_puts_the_clock_right() -> None:
    bench = Bench().until(Step.MIX)
    first_s = bench.state.coat.parts_met_s
    bench.wait(90.0)
    bench.look(**HOLD)
    assert bench.state.coat.parts_met_s is None
    bench.wait(45.0)
    bench.press()
    assert bench.state.coat.parts_met_s == bench.now_s
    assert first_s is not None
    assert bench.now_s - first_s >= 135.0
    kinds = bench.kinds()  # the record holds both presses and the correction between them
    assert kinds.count("parts_met") == 2
    between = kinds[kinds.index("parts_met") : len(kinds) - kinds[::-1].index("parts_met")]
    assert "step_taken_back" in between


def test_poured_pressed_too_early_keeps_the_clock() -> None:
    bench = Bench().until(Step.CLOSE_UP)
    met_s = bench.state.coat.parts_met_s
    bench.look(**HOLD)
    assert bench.state.coat.poured_s is None
    assert bench.state.coat.parts_met_s == met_s


@pytest.mark.parametrize("step_", [Step.PREPARE, Step.SPIN])
def test_what_the_frame_has_moved_is_not_taken_back(step_: Step) -> None:
    bench = Bench().until(step_)
    assert not bench.ask("step_back").accepted
    assert bench.state.step is step_


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.close()


@pytest.mark.parametrize("name", ["next_button", "foot_pedal"])
def test_from_the_pin_to_the_frame(factory: MockFactory, name: str) -> None:
    """Each press of the button or the pedal goes on: closed up, turning, paused, turning again."""
    pins = {name: 17, "light_green": 5, "light_amber": 6, "light_red": 13, "buzzer": 19}
    clock = ManualClock(10.0)
    inputs, outputs = GpioInputs(pins, clock, factory), GpioOutputs(pins, factory)
    pin = factory.pin("GPIO17")
    bench = Bench().until(Step.CLOSE_UP)

    def hold(duration_s: float) -> None:
        clock._now_s += 1.0
        pin.drive_low()
        clock._now_s += duration_s
        pin.drive_high()
        bench.look(presses=inputs.presses())
        _, actions = step(bench.state, bench.now_s, seen(bench))
        for action in actions:
            if isinstance(action, Show):
                outputs.show(action.light)

    def lit() -> set[str]:
        lamps = outputs._lamps.items()
        return {name for name, lamp in lamps if lamp.is_active or lamp._blink_thread is not None}

    hold(0.2)
    assert bench.state.turning is not None
    assert lit() == {"light_amber"}
    bench.wait(20.0)
    hold(LONG_S + 0.2)
    assert bench.state.halted == "pause"
    assert light_of(bench.state, bench.now_s, seen(bench)) is Light.ACT_NOW  # the coat runs down
    hold(0.2)
    assert bench.state.turning is not None
    inputs.close()
    outputs.close()
