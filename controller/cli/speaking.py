"""Speech of the rig: the choice of sentences and times, and the task that speaks them.

The same sentences go to the pages as `Snapshot.spoken`, so that a phone may read them aloud too.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from evenwall.devices.speech import EspeakVoice, SpeechFault, Voice, common_words
from evenwall.model import SPOKEN_MOMENTS, Snapshot, SpeechSpec, Spoken, Step
from evenwall.run.spin_offer import CHANGED as SPIN_CHANGED
from evenwall.run.supervisor import Supervisor
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

LOOK_S = 0.5  # time between looks, in wall time
# Time left at which a countdown to act is spoken: long enough to finish the work in hand.
ACT_MARKS = {120.0: "Two minutes", 30.0: "Thirty seconds"}
# Time left of a wait: long enough to come back, wash and put gloves and respirator on.
WAIT_MARKS = {300.0: "Five minutes", 60.0: "One minute"}
# Masses to go, in g, at which the hand that pours should slow down.
GRAM_MARKS = {10.0: "10 g to go.", 3.0: "3 g to go."}
SAME_END_S = 10.0  # if its end moves by less, the countdown is the same
ANSWERS = frozenset({"refused", "step_taken_back", "weight_taken_back", "touch_taken_back"})
# Notes that are spoken: a phone asks to be confirmed at the frame; the frame turns otherwise than
# planned from now on.
PAIRING = "pairing"
SAID_NOTES = frozenset({PAIRING, SPIN_CHANGED})
KEPT = 8  # sentences that a page may still fetch

Said = list[tuple[str, str]]  # moment and sentence


class Mark:
    """Announces each mark of a falling quantity once, as it is passed.

    again: the end must move by this many times a mark before the mark is announced a second time.
    Below 0, a mark is announced whenever it is passed.
    """

    def __init__(self, marks: dict[float, str], same: float, again: float = -1.0) -> None:
        self._marks, self._same, self._again = marks, same, again
        self._told: dict[float, float] = {}  # the end at which each mark was said
        self._of: object = None
        self.forget()

    def forget(self) -> None:
        """Begin again: nothing is being counted."""
        self._end, self._left = float("-inf"), float("inf")

    def passed(self, end: float, left: float, of: object = None) -> str:
        """Return the words of the mark just passed, or nothing. A new end repeats no old marks.

        of: the thing counted; for another thing every mark is new.
        """
        if of != self._of:
            self._of, self._told = of, {}
        if abs(end - self._end) > self._same:
            self._left = left
        found = [mark for mark in self._marks if left <= mark < self._left]
        self._end, self._left = end, left
        if not found:
            return ""
        mark = min(found)
        known = self._told.get(mark)
        if known is not None and abs(end - known) <= self._again * mark:
            return ""
        self._told[mark] = end
        return self._marks[mark]


class SpokenMoments:
    """Sentences to be spoken, look by look. Each is spoken once, and there is no queue.

    Speaking takes seconds; a sentence that has become untrue meanwhile is never spoken.
    """

    def __init__(self, moments: tuple[str, ...]) -> None:
        self._moments = frozenset(moments)
        self._moment: tuple[str, str | None] | None = None
        self._said = ("", "")
        self._alerts: frozenset[str] = frozenset()
        self._act = Mark(ACT_MARKS, SAME_END_S)
        # The end of a wait for the gel is an estimate and moves: "One minute" is not repeated
        # unless the end has moved by more than two minutes.
        self._wait = Mark(WAIT_MARKS, 3 * SAME_END_S, again=2.0)
        self._grams = Mark(GRAM_MARKS, 0.5)
        self._weighed: tuple[object, ...] = ()
        self._last_id: int | None = None

    def due(self, shown: Snapshot) -> Said:
        """Return the sentences for now: alerts first, then the instruction, then the time left."""
        said = [
            *self._new_alerts(shown),
            *self._answers(shown),
            *self._instruction(shown),
            *self._weighing(shown),
            *self._time_left(shown),
        ]
        return [(moment, text) for moment, text in said if moment in self._moments]

    def _new_alerts(self, shown: Snapshot) -> Said:
        before = self._alerts
        # While closing up, the instruction itself says to close the guard.
        closing = shown.step is Step.CLOSE_UP
        self._alerts = frozenset(
            alert.kind for alert in shown.alerts if not (closing and alert.kind == "guard_open")
        )
        return [
            ("alert", alert.sentence)
            for alert in shown.alerts
            if alert.kind in self._alerts - before
            and (alert.severity != "note" or alert.kind in SAID_NOTES)
        ]

    def _answers(self, shown: Snapshot) -> Said:
        """Answers to a press at the frame that was refused or undid something."""
        before, self._last_id = self._last_id, shown.last_event_id
        if before is None:
            return []
        lines = [line for line in shown.record if line.event_id > before and line.kind in ANSWERS]
        return [("answer", line.text) for line in lines]

    def _instruction(self, shown: Snapshot) -> Said:
        """Sentence of a new step, and of a step that changes from waiting to acting."""
        moment = (shown.step_id, shown.countdown.kind if shown.countdown is not None else None)
        before, self._moment = self._moment, moment
        if shown.run_id is None or moment == before:
            return []
        said, self._said = self._said, (shown.step_id, shown.sentence)
        return [("instruction", shown.sentence)] if self._said != said else []

    def _weighing(self, shown: Snapshot) -> Said:
        """Guidance by the scale: handling of the cup, weight taken, grams to go or too much."""
        led = shown.scale.weighing if shown.scale is not None else None
        if led is None:
            self._weighed = ()
            self._grams.forget()
            return []
        pouring = led.phase == "pour"
        # A running figure makes no new sentence; a weight that was taken does.
        taken_g = 0.0 if pouring else led.net_g
        now = (shown.step_id, led.phase, led.part, led.over, taken_g)
        before, self._weighed = self._weighed, now
        said = [("weighing", led.sentence)] if now != before else []
        mark = self._grams.passed(led.target_g, led.to_go_g) if pouring and not led.over else ""
        return [*said, ("weighing", mark)] if mark else said

    def _time_left(self, shown: Snapshot) -> Said:
        counting = shown.countdown
        if counting is None or counting.kind != "act":
            self._act.forget()
        if counting is None or counting.kind != "wait":
            self._wait.forget()
        if counting is None:
            return []
        mark, moment = (self._act, "countdown") if counting.kind == "act" else (self._wait, "ahead")
        words = mark.passed(counting.until_s, counting.until_s - shown.now_s, shown.step_id)
        # "Two minutes left to pour", "Five minutes until the next coat".
        told = counting.kind == "act" or counting.label.startswith("until")
        return [(moment, f"{words} {counting.label}.")] if words and told else []


async def speak(
    moments: SpokenMoments,
    voice: Voice | None,
    supervisor: Supervisor,
    clock: Clock,
    say: Callable[[str], None],
) -> None:
    """Speak the sentences that are due, until cancelled. `say` reports missing sound once.

    voice: None if the rig is silent; the pages still get the sentences.
    """
    number = 0
    while True:
        shown = supervisor.snapshot()
        due = moments.due(shown)
        for moment, text in due:
            number += 1
            line = Spoken(number=number, moment=moment, text=common_words(text))
            supervisor.spoken = (*supervisor.spoken, line)[-KEPT:]
        if due:
            supervisor.wake()
        for _, text in due:
            if voice is None:
                break
            try:
                await voice.say(text)
            except SpeechFault as fault:
                say(f"The rig cannot speak and stays silent: {fault}")
                voice = None
        await clock.sleep(LOOK_S)


@asynccontextmanager
async def speaking(
    spec: SpeechSpec | None, supervisor: Supervisor, say: Callable[[str], None]
) -> AsyncIterator[None]:
    """Speak until the block ends, if the rig file asks for it. Raises InputError."""
    voice = None if spec is None or spec.muted else EspeakVoice(spec)
    moments = SpokenMoments(SPOKEN_MOMENTS if spec is None else spec.moments)
    task = asyncio.create_task(speak(moments, voice, supervisor, SystemClock(), say))
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
