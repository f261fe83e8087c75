"""The rig speaks: which sentence is said when, and the task that says it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from evenwall.devices.speech import EspeakVoice, SpeechFault, Voice
from evenwall.model import Snapshot, SpeechSpec
from evenwall.service.facade import Service
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock

LOOK_S = 0.5  # between looks, in wall time
# Time left at which a countdown to act is said: long enough to finish what the hands hold.
MARKS = {120.0: "Two minutes left", 30.0: "Thirty seconds left"}
SAME_END_S = 10.0  # an end that moves by less is the same countdown


class SpokenMoments:
    """Sentences due to be said, look by look. It says each once and keeps no queue.

    Speaking takes seconds; what has become untrue meanwhile is never said.
    """

    def __init__(self, spec: SpeechSpec) -> None:
        self._moments = frozenset(spec.moments)
        self._moment: tuple[str, str | None] | None = None
        self._alerts: frozenset[str] = frozenset()
        self._until_s, self._left_s = float("-inf"), float("inf")

    def due(self, shown: Snapshot) -> list[str]:
        """Return what to say now: alerts first, then the instruction, then the time left."""
        said = [*self._new_alerts(shown), *self._instruction(shown), *self._time_left(shown)]
        return [text for moment, text in said if moment in self._moments]

    def _new_alerts(self, shown: Snapshot) -> list[tuple[str, str]]:
        before = self._alerts
        self._alerts = frozenset(alert.kind for alert in shown.alerts)
        return [
            ("alert", alert.sentence)
            for alert in shown.alerts
            if alert.kind not in before and alert.severity != "note"
        ]

    def _instruction(self, shown: Snapshot) -> list[tuple[str, str]]:
        """The sentence of a new step, and of a step that turns from waiting to acting."""
        moment = (shown.step_id, shown.countdown.kind if shown.countdown is not None else None)
        before, self._moment = self._moment, moment
        new = shown.run_id is not None and moment != before
        return [("instruction", shown.sentence)] if new else []

    def _time_left(self, shown: Snapshot) -> list[tuple[str, str]]:
        counting = shown.countdown
        if counting is None or counting.kind != "act":
            self._until_s, self._left_s = float("-inf"), float("inf")
            return []
        left_s = counting.until_s - shown.now_s
        if abs(counting.until_s - self._until_s) > SAME_END_S:
            self._left_s = left_s  # a new countdown: marks that lie behind are not said
        passed = [mark for mark in MARKS if left_s <= mark < self._left_s]
        self._until_s, self._left_s = counting.until_s, left_s
        return [("countdown", f"{MARKS[min(passed)]}: {counting.label}.")] if passed else []


async def speak(
    spec: SpeechSpec,
    voice: Voice,
    look: Callable[[], Snapshot],
    clock: Clock,
    say: Callable[[str], None],
) -> None:
    """Say what is due, until cancelled. A machine without sound is told of once, by `say`."""
    moments = SpokenMoments(spec)
    while True:
        for text in moments.due(look()):
            try:
                await voice.say(text)
            except SpeechFault as fault:
                say(f"The rig cannot speak and stays silent: {fault}")
                return
        await clock.sleep(LOOK_S)


@asynccontextmanager
async def speaking(
    spec: SpeechSpec | None, service: Service, say: Callable[[str], None]
) -> AsyncIterator[None]:
    """Speak until the block ends, where the rig file asks for it. Raises InputError."""
    if spec is None or spec.muted:
        yield
        return
    voice = EspeakVoice(spec)
    task = asyncio.create_task(speak(spec, voice, service.snapshot, SystemClock(), say))
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
