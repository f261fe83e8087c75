"""The rig's voice: words for units, a sound file that is not silent, faults that are reported."""

from __future__ import annotations

import asyncio
import wave
from pathlib import Path

import numpy as np
import pytest

from evenwall.devices.speech import EspeakVoice, SpeechFault, common_words, spoken_words
from evenwall.errors import InputError
from evenwall.model import SpeechSpec

SENTENCE = "Weigh 63.8 g of part A."
LOUD = SpeechSpec(backend="espeak_ng", volume_percent=100)
QUIET = SpeechSpec(backend="espeak_ng", volume_percent=20)


@pytest.mark.parametrize(
    ("written", "spoken"),
    [
        (SENTENCE, "Weigh 63.8 grams of part A."),
        ("Wait 1 min, at 23 degC.", "Wait 1 minute, at 23 degrees."),
        ("3 mm in 40 s", "3 millimetres in 40 seconds"),
        ("Add 2 %.", "Add 2 percent."),
        ("Coat 2 starts", "Coat 2 starts"),  # a number before a word stays as it is
    ],
)
def test_units_are_read_out(written: str, spoken: str) -> None:
    assert spoken_words(written) == spoken


def test_figures_are_read_out_in_the_hearers_units() -> None:
    """28.35 g = 1 oz and 25.4 mm = 1 in (NIST SP 811, B.8)."""
    said = "Add 63.8 g at 23.0 degC, 25.4 mm deep, in 40 s."
    inches = "Add 2.250 ounces at 73.4 degrees, 1.000 inch deep, in 40 seconds."
    assert spoken_words(said, "inch") == inches
    spec = SpeechSpec(backend="espeak_ng", units="inch")
    assert common_words(said) == "Add 63.8 g at 23.0 degC, 25.4 mm deep, in 40 seconds."
    assert spec.units == "inch"


def loudness(path: Path) -> tuple[float, float]:
    """Root mean square of a mono 16-bit sound file, full scale 1, and its length in s."""
    with wave.open(str(path)) as sound:
        assert (sound.getnchannels(), sound.getsampwidth()) == (1, 2)
        data = np.frombuffer(sound.readframes(sound.getnframes()), "<i2") / 32768.0
        return float(np.sqrt(np.mean(data**2))), len(data) / sound.getframerate()


def test_a_sentence_becomes_sound_that_is_not_silent(tmp_path: Path) -> None:
    asyncio.run(EspeakVoice(LOUD).write_wav(SENTENCE, tmp_path / "loud.wav"))
    asyncio.run(EspeakVoice(QUIET).write_wav(SENTENCE, tmp_path / "quiet.wav"))
    loud, length_s = loudness(tmp_path / "loud.wav")
    quiet, _ = loudness(tmp_path / "quiet.wav")
    # Eight words at 150 a minute last 3.2 s; half and twice that are other speeds.
    assert 1.6 < length_s < 6.4
    # Dither or a click stays below a hundredth of full scale.
    assert loud > 0.01
    assert loud > 2.0 * quiet  # five times the amplitude asked for; clipping may take some


def test_a_voice_that_is_not_there_is_told(tmp_path: Path) -> None:
    voice = EspeakVoice(SpeechSpec(backend="espeak_ng", voice="zz"))
    with pytest.raises(SpeechFault):
        asyncio.run(voice.write_wav(SENTENCE, tmp_path / "none.wav"))


def test_a_sound_device_that_is_not_there_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The synthesiser then ends with code 0, so its exit code alone does not show the fault."""
    fake = tmp_path / "espeak-ng"
    fake.write_text("#!/bin/sh\ncat >/dev/null\necho 'error: No such file or directory' >&2\n")
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    with pytest.raises(SpeechFault, match="No such file"):
        asyncio.run(EspeakVoice(LOUD).say(SENTENCE))


def test_without_the_program_the_rig_file_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(InputError, match=r"speech\.backend") as refused:
        EspeakVoice(LOUD)
    assert refused.value.exit_code == 2
