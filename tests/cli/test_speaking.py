"""Moments at which the rig speaks; a rig without sound says so once."""

from __future__ import annotations

import asyncio

import pytest

from evenwall.cli.speaking import LOOK_S, SpokenMoments, speak
from evenwall.devices.speech import SpeechFault
from evenwall.model import Alert, Countdown, Snapshot, SpeechSpec, Step
from evenwall_bridge.clock import ManualClock

ALL = SpeechSpec(backend="espeak_ng")
POUR = "Pour now."


def shown(now_s: float = 0.0, step_id: str = "1", **fields: object) -> Snapshot:
    base = Snapshot(now_s=now_s, utc="", simulated=True, rig="small", run_id="r", step=Step.POUR)
    return base.model_copy(update={"step_id": step_id, "sentence": POUR, **fields})


def act(until_s: float) -> Countdown:
    return Countdown(kind="act", label="to close up", until_s=until_s)


def test_an_instruction_is_said_once_a_step() -> None:
    moments = SpokenMoments(ALL)
    assert moments.due(shown(step_id="1")) == [POUR]
    assert moments.due(shown(1.0, step_id="1")) == []
    assert moments.due(shown(2.0, step_id="2")) == [POUR]


def test_a_wait_that_ends_is_said() -> None:
    moments = SpokenMoments(ALL)
    wait = Countdown(kind="wait", label="until the pour", until_s=60.0)
    assert moments.due(shown(countdown=wait, sentence="Wait.")) == ["Wait."]
    assert moments.due(shown(61.0, countdown=act(400.0))) == [POUR]


def test_time_left_is_said_once_at_each_mark() -> None:
    moments = SpokenMoments(ALL)
    said = [text for t in range(400) for text in moments.due(shown(float(t), countdown=act(400.0)))]
    assert said == [POUR, "Two minutes left: to close up.", "Thirty seconds left: to close up."]


def test_a_mark_that_lies_behind_a_new_countdown_is_not_said() -> None:
    moments = SpokenMoments(ALL)
    assert moments.due(shown(countdown=act(90.0))) == [POUR]
    assert moments.due(shown(1.0, countdown=act(90.0))) == []


def test_an_alert_comes_first_and_once_and_again_when_it_returns() -> None:
    moments = SpokenMoments(ALL)
    hot = Alert(kind="too_hot", sentence="The cup is too hot.", severity="act_now", since_s=0.0)
    note = Alert(kind="cold_room", sentence="Cold.", severity="note", since_s=0.0)
    assert moments.due(shown(alerts=(hot, note))) == [hot.sentence, POUR]
    assert moments.due(shown(1.0, alerts=(hot, note))) == []
    assert moments.due(shown(2.0)) == []
    assert moments.due(shown(3.0, alerts=(hot,))) == [hot.sentence]


def test_only_the_moments_chosen_are_said() -> None:
    moments = SpokenMoments(ALL.model_copy(update={"moments": ("alert",)}))
    assert moments.due(shown()) == []


def test_nothing_is_said_without_a_run() -> None:
    assert SpokenMoments(ALL).due(shown(run_id=None)) == []


class Captured:
    """A voice that keeps its text, or fails from the start."""

    def __init__(self, fails: bool = False) -> None:
        self.text: list[str] = []
        self.fails = fails

    async def say(self, text: str) -> None:
        self.text.append(text)
        if self.fails:
            raise SpeechFault("no sound device")


@pytest.mark.parametrize("fails", [False, True])
def test_a_rig_without_sound_says_so_once(fails: bool) -> None:
    voice, console, step = Captured(fails), [], iter("abcdef")
    clock = ManualClock()

    async def run() -> None:
        look = lambda: shown(step_id=next(step))  # noqa: E731
        task = asyncio.create_task(speak(ALL, voice, look, clock, console.append))
        for _ in range(3):
            await clock.advance(LOOK_S)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(run())
    assert len(voice.text) == (1 if fails else 4)
    assert len(console) == (1 if fails else 0)
