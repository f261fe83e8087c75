"""Whole castings without a touch screen, by a person who hears, presses, and pours."""

from __future__ import annotations

import asyncio
import shutil
import wave
from pathlib import Path

import pytest

from evenwall.cli.speaking import SpokenMoments, speak
from evenwall.devices.interfaces import Press
from evenwall.devices.speech import PROGRAM, EspeakVoice
from evenwall.model import SPOKEN_MOMENTS, SpeechSpec, Step
from evenwall_bridge.clock import run_virtual
from tests.support.hands_free import HandsFree, end, write_speech
from tests.support.virtual_shop import Shop, open_shop

NOT_SILENT = 300.0  # RMS of 16-bit samples; a noise floor is below 30, speech at 80 % above 1000


async def cast_by_ear(shop: Shop, person: HandsFree) -> None:
    """Cast by ear: prepared at the desk, then done by button, scale and voice up to the
    demoulding."""
    answer = await shop.ask("start", plan=shop.plan)
    assert answer.accepted, answer.sentence
    moments = SpokenMoments(SPOKEN_MOMENTS)
    tasks = [
        asyncio.create_task(speak(moments, person, shop.supervisor, shop.clock, print)),
        asyncio.create_task(person.work()),
    ]
    try:
        await shop.until(lambda: shop.step is Step.DONE)
    finally:
        await end(tasks)


@pytest.mark.slow
@pytest.mark.timeout(900)  # half a minute of work, on a machine that others share
def test_three_coats_without_a_touch_on_glass(tmp_path: Path) -> None:
    heard: list[str] = []

    async def scenario() -> None:
        async with open_shop(seed=5, scale=True) as shop:
            person = HandsFree(shop, pour_error={("B", 2): 1.03}, too_early={1}, pauses={3})
            await cast_by_ear(shop, person)
            heard.extend(person.heard)
            shown = shop.service.snapshot()
            events = await shop.service.events(shown.run_id or "")
            assert [coat.done for coat in shown.coats] == [True] * 3
            # Nobody asked anything but the start and the scale: no page, no console.
            asked = [event for event in events[1:] if "command" in event.data]
            assert {event.data["who"] for event in asked} == {"scale"}
            assert {event.data["command"] for event in asked} == {"weigh_part"}
            assert not any(event.kind == "refused" for event in events)
            # Each coat is weighed, within what the display and the hand differ by.
            for planned, coat in zip(shop.plan.coats, shown.coats, strict=True):
                assert coat.part_a_g is not None
                assert coat.part_b_g is not None
                ratio = planned.part_b_g / planned.part_a_g
                assert coat.part_b_g / coat.part_a_g == pytest.approx(ratio, rel=0.01)
                assert coat.part_a_g == pytest.approx(planned.part_a_g, rel=0.05)
            # The second coat's B was poured over, and put right with A.
            parts = [event.data["part"] for event in events if event.kind == "part_weighed"]
            assert parts.count("A") == 4
            presses = [words for words, _ in person.pressed]
            assert presses.count("Start turning") == 3
            assert presses.count("Parts together") == 4
            assert presses[-1] == "Finish"
            held = [words for words, press in person.pressed if press is Press.LONG]
            assert held == ["The list is done", "Take back: parts together", "Pause"]
            # The first coat's clock counts from the second press; the record tells both.
            met_s = [event.at_s for event in events if event.kind == "parts_met"]
            assert len(met_s) == 4
            assert shown.coats[0].parts_met_s == met_s[1] > met_s[0] + 30.0

    run_virtual(scenario())

    said = " ".join(heard)
    assert "grams of part A" in said
    assert "Two minutes left to pour." in said or "left to start turning." in said
    assert "Five minutes until the mould may be opened." in said
    assert "grams over" in said
    if shutil.which(PROGRAM) is None:
        pytest.fail("espeak-ng is missing: `make test` installs it", pytrace=False)
    path = tmp_path / "hands-free.wav"
    loud = asyncio.run(write_speech(heard, EspeakVoice(SpeechSpec(backend="espeak_ng")), path))
    assert len(loud) == len(heard) > 50
    assert min(loud) > NOT_SILENT
    with wave.open(str(path)) as sound:
        assert sound.getnframes() / sound.getframerate() > 120.0  # s, of a casting's worth of words
