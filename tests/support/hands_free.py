"""A person who hears the rig and has a button, a guard, a scale and no screen."""

from __future__ import annotations

import asyncio
import re
import wave
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from evenwall.devices.interfaces import Light, Press
from evenwall.devices.speech import EspeakVoice, spoken_words
from evenwall.model import Step
from evenwall_bridge.sim_scale import PERIOD_S
from tests.support.virtual_shop import Shop

SPEAKS_CHARS_S = 14.0  # 150 words a minute of five letters and a space, and some more
POUR_G_S = 4.0
# What the hands take for a step, s (common practice, no source).
TAKES_S = {"mix": 90.0, "degas": 120.0, "pour": 40.0, "close up": 40.0}


@dataclass
class HandsFree:
    """Does what the rig says and nothing else. Meets `Voice`.

    Every word is heard as it is spoken. A press that moves the frame waits for the light which
    says so.
    """

    shop: Shop
    cup_g: float = 12.4
    pour_error: dict[tuple[str, int], float] = field(default_factory=dict)  # (part, coat) -> share
    too_early: set[int] = field(default_factory=set)  # coats whose parts he says met, too early
    pauses: set[int] = field(default_factory=set)  # coats that he pauses for a moment
    heard: list[str] = field(default_factory=list)
    pressed: list[tuple[str, Press]] = field(default_factory=list)
    _new: list[str] = field(default_factory=list)
    _on_g: float = 0.0

    async def say(self, text: str) -> None:
        """Hear a sentence; it takes its time."""
        words = spoken_words(text)
        self.heard.append(words)
        self._new.append(words)
        await self.shop.clock.sleep(len(words) / SPEAKS_CHARS_S)

    async def work(self) -> None:
        """Act on what is heard, until cancelled."""
        while True:
            while self._new:
                await self._act(self._new.pop(0))
            await self.shop.clock.sleep(0.5)

    async def _act(self, words: str) -> None:
        for pattern, act in _ACTS:
            found = re.search(pattern, words)
            if found is not None:
                await act(self, found)
                return

    # --- hands -----------------------------------------------------------------------------------

    async def press(self, press: Press = Press.NEXT) -> None:
        """Press the button, and let go."""
        shown = self.shop.service.snapshot().frame_button
        assert shown is not None
        self.pressed.append((shown.short if press is Press.NEXT else shown.long, press))
        self.shop.buttons.press(press)
        await self.shop.clock.sleep(3.0)

    async def press_to_move(self, _: re.Match[str]) -> None:
        self.shop.board.set_guard(True)
        if self.shop.service.snapshot().step is Step.PREPARE:
            await self.press(Press.LONG)  # the list is done
        for _ in range(20):  # words of a step that is over find another light
            if self.shop.lamp.light in (Light.MOVES_NEXT, Light.ACT_NOW):
                await self.press()
                return
            await self.shop.clock.sleep(1.0)

    async def pan(self, mass_g: float, wait_s: float = 2.0) -> None:
        assert self.shop.pan is not None
        self._on_g = mass_g
        self.shop.pan.load(mass_g)
        await self.shop.clock.sleep(wait_s)

    async def put_cup(self, _: re.Match[str]) -> None:
        await self.pan(self.cup_g)

    async def lift_cup(self, _: re.Match[str]) -> None:
        await self.pan(0.0)

    async def tare(self, _: re.Match[str]) -> None:
        assert self.shop.pan is not None
        self.shop.pan.tare()
        await self.shop.clock.sleep(2.0)

    async def pour_part(self, found: re.Match[str]) -> None:
        coat = self.shop.service.snapshot().coat
        mass_g = float(found[2]) * self.pour_error.get((found[1], coat), 1.0)
        end_g = self._on_g + mass_g
        while self._on_g < end_g - 1e-9:
            await self.pan(min(end_g, self._on_g + POUR_G_S * PERIOD_S), PERIOD_S)

    async def add_part(self, found: re.Match[str]) -> None:
        """Tare, then add what is asked."""
        await self.tare(found)

    async def top_up(self, found: re.Match[str]) -> None:
        end_g = self._on_g + float(found[1])
        while self._on_g < end_g - 1e-9:
            await self.pan(min(end_g, self._on_g + 0.3 * PERIOD_S), PERIOD_S)

    async def parts_meet(self, found: re.Match[str]) -> None:
        await self.lift_cup(found)
        coat = self.shop.service.snapshot().coat
        await self.press()
        if coat in self.too_early:
            self.too_early.remove(coat)
            await self.shop.clock.sleep(30.0)
            self._new.clear()  # what was said of the step taken back
            await self.press(Press.LONG)

    async def keep_turning(self, _: re.Match[str]) -> None:
        coat = self.shop.service.snapshot().coat
        if coat in self.pauses:
            self.pauses.remove(coat)
            await self.shop.clock.sleep(60.0)
            self._new.clear()
            await self.press(Press.LONG)

    async def mix(self, _: re.Match[str]) -> None:
        await self.shop.clock.sleep(TAKES_S["mix"])
        await self.press()

    async def degas(self, _: re.Match[str]) -> None:
        await self.shop.clock.sleep(TAKES_S["degas"])
        await self.press()

    async def pour(self, _: re.Match[str]) -> None:
        self.shop.board.set_guard(False)
        await self.shop.clock.sleep(TAKES_S["pour"])
        await self.press()

    async def close_up(self, found: re.Match[str]) -> None:
        await self.shop.clock.sleep(TAKES_S["close up"])
        await self.press_to_move(found)

    async def open_mould(self, _: re.Match[str]) -> None:
        await self.press()

    async def demould(self, _: re.Match[str]) -> None:
        await self.shop.clock.sleep(120.0)
        await self.press()


_ACTS = (
    (r"^Get ready", HandsFree.press_to_move),
    (r"^Put the cup", HandsFree.put_cup),
    (r"is on: tare the scale", HandsFree.tare),
    (r"^Pour part ([AB]): ([\d.]+) grams", HandsFree.pour_part),
    (r"taken\. Tare, or put the next cup on", HandsFree.lift_cup),
    (r"taken\. Add [\d.]+ grams? of part [AB]", HandsFree.add_part),
    (r"^Add ([\d.]+) grams?", HandsFree.top_up),
    (r"Both parts are weighed\.", HandsFree.parts_meet),
    (r"^Mix, scraping", HandsFree.mix),
    (r"^Degas", HandsFree.degas),
    (r"^Pour now", HandsFree.pour),
    (r"^Close up", HandsFree.close_up),
    (r"^Keep turning", HandsFree.keep_turning),
    (r"^The coat is liquid and runs", HandsFree.press_to_move),
    (r"^Next coat: press the button", HandsFree.press_to_move),
    (r"^The mould may be opened", HandsFree.open_mould),
    (r"^Open the mould", HandsFree.demould),
    (r"^Measure the casting", HandsFree.open_mould),
)


async def write_speech(sentences: list[str], voice: EspeakVoice, path: Path) -> list[float]:
    """Write the sentences, one after the other, to one WAV file; the loudness (RMS, of 32768) of
    each is returned."""
    loud: list[float] = []
    piece = path.with_suffix(".piece.wav")
    with wave.open(str(path), "wb") as out:
        for number, text in enumerate(sentences):
            await voice.write_wav(text, piece)
            with wave.open(str(piece), "rb") as one:
                if number == 0:
                    out.setparams(one.getparams())
                frames = one.readframes(one.getnframes())
            samples = array("h", frames)
            loud.append((sum(s * s for s in samples) / max(1, len(samples))) ** 0.5)
            out.writeframes(frames)
    piece.unlink()
    return loud


async def end(tasks: Sequence[asyncio.Task[None]]) -> None:
    """End what a casting was done with. Raises the first error that one of them ended by."""
    for task in tasks:
        task.cancel()
    for ended in await asyncio.gather(*tasks, return_exceptions=True):
        if isinstance(ended, Exception):
            raise ended
