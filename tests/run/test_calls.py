"""Calls to a person are repeated at the stated times until somebody answers, and all are in the
record."""

from __future__ import annotations

import pytest

from evenwall.devices.interfaces import Press
from evenwall.model import Step
from evenwall.run.calls import AGAIN_S, due_again
from evenwall.run.events import Called
from evenwall.run.view import buttons
from tests.run.bench import Bench


def calls(bench: Bench, call: str) -> list[int]:
    """Numbers of the calls of one kind, in order."""
    return [
        event.number for event in bench.events if isinstance(event, Called) and event.call == call
    ]


def offered(bench: Bench) -> list[str]:
    return [button.command for button in buttons(bench.state, bench.now_s)[1]]


def standing(bench: Bench) -> Bench:
    """A liquid coat that stands still because the guard was opened."""
    bench.until(Step.SPIN)
    bench.wait(30.0)
    bench.guard(False)
    return bench


@pytest.mark.parametrize("urgency", sorted(AGAIN_S))
def test_gaps_grow_and_the_last_one_repeats(urgency: str) -> None:
    gaps = AGAIN_S[urgency]
    for number in range(1, 10):
        gap_s = gaps[min(number, len(gaps)) - 1]
        assert not due_again(urgency, number, gap_s - 0.1)
        assert due_again(urgency, number, gap_s)


def test_it_calls_again_at_the_stated_times_until_somebody_comes() -> None:
    bench = standing(Bench())
    assert calls(bench, "standing_liquid") == [1]
    begun_s = bench.now_s
    times: list[float] = []
    while bench.now_s < begun_s + 200.0:
        before = len(calls(bench, "standing_liquid"))
        bench.wait(1.0)
        if len(calls(bench, "standing_liquid")) > before:
            times.append(bench.now_s - begun_s)
    assert times == [30.0, 60.0, 120.0, 180.0]
    bench.look(presses=(Press.NEXT,))  # refused, for the guard is open; yet somebody is there
    assert "calls_answered" in bench.kinds()
    after = len(calls(bench, "standing_liquid"))
    bench.wait(300.0)
    assert len(calls(bench, "standing_liquid")) == after


def test_a_new_call_is_made_when_it_happens_again() -> None:
    bench = standing(Bench())
    bench.ask("acknowledge")
    bench.guard(True)
    bench.press()
    bench.wait(5.0)
    assert "standing_liquid" not in bench.state.calls
    bench.guard(False)
    assert calls(bench, "standing_liquid") == [1, 1]


def test_the_page_offers_the_answer_only_while_a_call_stands() -> None:
    bench = standing(Bench())
    assert "acknowledge" in offered(bench)
    bench.ask("acknowledge")
    assert "acknowledge" not in offered(bench)


def test_the_scale_is_no_person() -> None:
    bench = Bench().until(Step.WEIGH)
    bench.wait(200.0)
    assert calls(bench, "waiting") == [1]
    bench.ask_by("scale", "weigh_part", part="A", mass_g=60.0)
    assert not bench.state.calls["waiting"].answered
    bench.ask_by("phone", "note", text="here")
    assert bench.state.calls["waiting"].answered


def test_whom_a_call_reached_is_in_the_record() -> None:
    bench = standing(Bench())
    bench.ask_by(
        "calls",
        "call_sent",
        call="standing_liquid",
        number=1,
        channel="broker",
        reached="the broker",
    )
    assert bench.events[-1].line() == "Call for standing liquid by broker."
    answer = bench.ask_by(
        "calls", "call_sent", call="standing_liquid", number=1, channel="push", reached="2 phones"
    )
    assert answer.accepted
    assert bench.events[-1].line() == "Call for standing liquid by push: 2 phones."
    assert not bench.state.calls["standing_liquid"].answered
