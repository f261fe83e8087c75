"""Moments at which the rig speaks; a rig without sound says so once."""

from __future__ import annotations

import asyncio

import pytest

from evenwall.cli.speaking import LOOK_S, SpokenMoments, speak
from evenwall.devices.speech import SpeechFault
from evenwall.model import (
    SPOKEN_MOMENTS,
    Alert,
    Countdown,
    RecordLine,
    ScaleView,
    Snapshot,
    Spoken,
    Step,
    WeighingView,
)
from evenwall_bridge.clock import ManualClock

POUR = "Pour now."


def shown(now_s: float = 0.0, step_id: str = "1", **fields: object) -> Snapshot:
    base = Snapshot(now_s=now_s, utc="", simulated=True, rig="small", run_id="r", step=Step.POUR)
    return base.model_copy(update={"step_id": step_id, "sentence": POUR, **fields})


def act(until_s: float) -> Countdown:
    return Countdown(kind="act", label="to close up", until_s=until_s)


class Moments:
    """Return the sentences without their moments."""

    def __init__(self, *moments: str) -> None:
        self.all = SpokenMoments(moments or SPOKEN_MOMENTS)

    def due(self, seen: Snapshot) -> list[str]:
        return [text for _, text in self.all.due(seen)]


def test_an_instruction_is_said_once_a_step() -> None:
    moments = Moments()
    assert moments.due(shown(step_id="1")) == [POUR]
    assert moments.due(shown(1.0, step_id="1")) == []
    assert moments.due(shown(2.0, step_id="2")) == [POUR]


def test_a_wait_that_ends_is_said() -> None:
    moments = Moments()
    wait = Countdown(kind="wait", label="until the pour", until_s=60.0)
    assert moments.due(shown(countdown=wait, sentence="Wait.")) == ["Wait."]
    assert moments.due(shown(61.0, countdown=act(400.0))) == [POUR]


def test_time_left_is_said_once_at_each_mark() -> None:
    moments = Moments()
    said = [text for t in range(400) for text in moments.due(shown(float(t), countdown=act(400.0)))]
    assert said == [POUR, "Two minutes to close up.", "Thirty seconds to close up."]


def test_a_mark_that_lies_behind_a_new_countdown_is_not_said() -> None:
    moments = Moments()
    assert moments.due(shown(countdown=act(90.0))) == [POUR]
    assert moments.due(shown(1.0, countdown=act(90.0))) == []


def test_an_alert_comes_first_and_once_and_again_when_it_returns() -> None:
    moments = Moments()
    hot = Alert(kind="too_hot", sentence="The cup is too hot.", severity="act_now", since_s=0.0)
    note = Alert(kind="cold_room", sentence="Cold.", severity="note", since_s=0.0)
    assert moments.due(shown(alerts=(hot, note))) == [hot.sentence, POUR]
    assert moments.due(shown(1.0, alerts=(hot, note))) == []
    assert moments.due(shown(2.0)) == []
    assert moments.due(shown(3.0, alerts=(hot,))) == [hot.sentence]


def test_a_spin_that_was_changed_is_said_though_it_is_a_note() -> None:
    moments = Moments()
    changed = Alert(kind="spin_changed", sentence="It was changed.", severity="note", since_s=0.0)
    assert moments.due(shown(alerts=(changed,))) == [changed.sentence, POUR]
    assert moments.due(shown(1.0, alerts=(changed,))) == []


def test_only_the_moments_chosen_are_said() -> None:
    assert Moments("alert").due(shown()) == []


def test_nothing_is_said_without_a_run() -> None:
    assert Moments().due(shown(run_id=None)) == []


def test_a_wait_is_announced_before_it_ends() -> None:
    """Time to come back, wash and put gloves and respirator on."""
    moments = Moments("ahead")
    wait = Countdown(kind="wait", label="until the next coat", until_s=900.0)
    said = [text for t in range(900) for text in moments.due(shown(float(t), countdown=wait))]
    assert said == ["Five minutes until the next coat.", "One minute until the next coat."]


def led(to_go_g: float, **fields: object) -> Snapshot:
    view = WeighingView(
        phase="pour", part="A", target_g=63.8, to_go_g=to_go_g, sentence="Pour part A: 63.8 g."
    )
    scale = ScaleView(mass_g=0.0, weighing=view.model_copy(update=fields))
    return shown(step=Step.WEIGH, scale=scale)


def test_one_minute_is_said_once_of_an_end_that_is_an_estimate() -> None:
    """If the end moves by a minute, it is not said again. If it moves by an hour, or the next coat
    turns, it is."""
    moments = Moments("ahead")

    def said(now_s: float, until_s: float, step_id: str = "1") -> list[str]:
        count = Countdown(kind="wait", label="until it is safe to stop", until_s=until_s)
        return moments.due(shown(now_s, step_id, countdown=count))

    words = ["One minute until it is safe to stop."]
    assert said(0.0, 70.0) == []
    assert said(11.0, 70.0) == words
    assert said(12.0, 130.0) == []  # the estimate moved by a minute
    assert said(71.0, 130.0) == []
    moments.due(shown(72.0))  # for a moment the end is unknown
    assert said(73.0, 140.0) == []
    assert said(81.0, 140.0) == []
    assert said(82.0, 3700.0) == []
    assert said(3641.0, 3700.0) == words
    assert said(4000.0, 4070.0, "2") == []
    assert said(4011.0, 4070.0, "2") == words


def test_grams_to_go_are_said_as_the_hand_should_slow_down() -> None:
    moments = Moments("weighing")
    pour = [led(63.8 - 0.5 * step) for step in range(130)]
    said = [text for seen in pour for text in moments.due(seen)]
    assert said == ["Pour part A: 63.8 g.", "10 g to go.", "3 g to go."]


def test_too_much_is_said_once_and_what_was_taken_with_its_figure() -> None:
    moments = Moments("weighing")
    moments.due(led(5.0))
    over = [led(-0.1 * step, over=True, sentence=f"{step} over") for step in range(7, 12)]
    assert [text for seen in over for text in moments.due(seen)] == ["7 over"]
    taken = {"phase": "taken", "net_g": 64.9, "sentence": "Part A: 64.9 g taken."}
    assert moments.due(led(0.0, **taken)) == ["Part A: 64.9 g taken."]
    assert moments.due(led(0.0, **taken)) == []


def test_what_a_press_at_the_frame_did_not_do_is_said() -> None:
    moments = Moments("answer")
    line = RecordLine(event_id=7, at_s=1.0, utc="", text="Not done: the guard is open.")
    refused = line.model_copy(update={"kind": "refused"})
    assert moments.due(shown(last_event_id=6)) == []
    assert moments.due(shown(last_event_id=7, record=(refused,))) == [refused.text]
    assert moments.due(shown(last_event_id=8, record=(refused,))) == []


class Captured:
    """A voice that keeps its text, or fails from the start."""

    def __init__(self, fails: bool = False) -> None:
        self.text: list[str] = []
        self.fails = fails

    async def say(self, text: str) -> None:
        self.text.append(text)
        if self.fails:
            raise SpeechFault("no sound device")


class Rig:
    """A supervisor with what `speak` needs: another step at each look."""

    def __init__(self) -> None:
        self.spoken: tuple[Spoken, ...] = ()
        self._steps = iter("abcdefgh")

    def snapshot(self) -> Snapshot:
        return shown(step_id=next(self._steps))

    def wake(self) -> None:
        return None


@pytest.mark.parametrize("voice", ["works", "fails", "none"])
def test_a_rig_without_sound_says_so_once_and_pages_still_hear(voice: str) -> None:
    captured, console = Captured(voice == "fails"), []
    clock, rig = ManualClock(), Rig()

    async def run() -> None:
        said_by = None if voice == "none" else captured
        task = asyncio.create_task(
            speak(SpokenMoments(SPOKEN_MOMENTS), said_by, rig, clock, console.append)
        )
        for _ in range(3):
            await clock.advance(LOOK_S)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(run())
    assert len(captured.text) == {"works": 4, "fails": 1, "none": 0}[voice]
    assert len(console) == (1 if voice == "fails" else 0)
    assert [line.number for line in rig.spoken] == [1, 2, 3, 4]
    assert {line.text for line in rig.spoken} == {POUR}
