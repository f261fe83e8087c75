"""The press that pairs a phone is not a step of the run, and a turning frame must be paused
first."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from evenwall.cli.application import Application, Hand, _pairs
from evenwall.devices.interfaces import NoInputs, Press
from evenwall_bridge.clock import ManualClock
from evenwall_web.people import People


def application(mode: str) -> Application:
    shown = SimpleNamespace(frame=SimpleNamespace(mode=mode))
    service = SimpleNamespace(snapshot=lambda: shown)
    return cast(Application, SimpleNamespace(service=service))


@pytest.mark.parametrize(
    ("mode", "asks", "press", "left"),
    [
        ("holding", True, Press.LONG, ()),
        ("holding", False, Press.LONG, (Press.LONG,)),
        ("holding", True, Press.NEXT, (Press.NEXT,)),
        ("holding", True, Press.STOP, (Press.STOP,)),
        ("turning", True, Press.LONG, (Press.LONG,)),
    ],
)
def test_what_the_run_sees_of_a_press(
    mode: str, asks: bool, press: Press, left: tuple[Press, ...]
) -> None:
    people = People(ManualClock(), "http://192.168.7.5/")
    if asks:
        assert people.at_frame.ask("a phone", "192.168.7.20") is not None
    hand = Hand(NoInputs())
    hand.catch = lambda press: _pairs(cast(Any, application(mode)), people, press)
    hand.press(press)
    assert hand.presses() == left
