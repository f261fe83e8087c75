"""Speech at the rig: sentences spoken by espeak-ng, a synthesiser that works offline."""

from __future__ import annotations

import asyncio
import contextlib
import re
import shutil
from pathlib import Path
from typing import Protocol

from evenwall.errors import EvenwallError, InputError
from evenwall.model import SpeechSpec
from evenwall.units import System, spoken

PROGRAM = "espeak-ng"
AMPLITUDE_AT_FULL = 200  # espeak-ng(1): -a takes 0 to 200, 100 by default
# Units that everybody uses, as the sheet writes them, with the words for one and for several.
UNITS = {
    "min": ("minute", "minutes"),
    "s": ("second", "seconds"),
    "h": ("hour", "hours"),
    "%": ("percent", "percent"),
    "rpm": ("turn a minute", "turns a minute"),
}
_QUANTITY = re.compile(r"(\d+(?:\.\d+)?)\s*(" + "|".join(sorted(UNITS, key=len)[::-1]) + r")(?!\w)")


class SpeechFault(EvenwallError):
    """The sentence could not be spoken: no sound device, or the synthesiser failed."""


class Voice(Protocol):
    """A way to say a sentence aloud."""

    async def say(self, text: str) -> None:
        """Return when the sentence has been said. Raises SpeechFault."""
        ...


def spoken_words(text: str, units: System = "metric") -> str:
    """Return a sentence of the sheet as it is read aloud: its figures in these units, written out.

    >>> spoken_words("Weigh 63.8 g of part A.")
    'Weigh 63.8 grams of part A.'
    """
    return common_words(spoken(text, units))


def common_words(text: str) -> str:
    """Return a sentence with the units written out that everybody uses.

    Its masses, lengths and temperatures stay as they are, for a hearer who chooses their units.
    """

    def full(found: re.Match[str]) -> str:
        one, several = UNITS[found[2]]
        return f"{found[1]} {one if float(found[1]) == 1.0 else several}"

    return _QUANTITY.sub(full, text)


class EspeakVoice:
    """Voice of espeak-ng (Debian package espeak-ng). Implements `Voice`."""

    def __init__(self, spec: SpeechSpec) -> None:
        """Find the program. Raises InputError if it is not installed."""
        found = shutil.which(PROGRAM)
        if found is None:
            hint = "apt-get install espeak-ng"
            raise InputError("speech.backend", spec.backend, "is not installed", hint=hint)
        amplitude = round(spec.volume_percent * AMPLITUDE_AT_FULL / 100)
        speed = str(spec.words_per_min)
        self._units = spec.units
        self._command = (found, "-v", spec.voice, "-a", str(amplitude), "-s", speed, "--stdin")

    async def say(self, text: str) -> None:
        """Say the sentence on the default sound device. Raises SpeechFault."""
        await self._run(text)

    async def write_wav(self, text: str, path: Path) -> None:
        """Write the sentence to a sound file (PCM, WAV). Raises SpeechFault."""
        await self._run(text, "-w", str(path))

    async def _run(self, text: str, *more: str) -> None:
        """Run the synthesiser; the text goes to its standard input, never to its command line."""
        try:
            process = await asyncio.create_subprocess_exec(
                *self._command,
                *more,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
            )
        except OSError as error:
            raise SpeechFault(f"{PROGRAM}: {error.strerror}") from None
        try:
            _, said = await process.communicate(spoken_words(text, self._units).encode())
        except asyncio.CancelledError:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
            raise
        # Without a sound device espeak-ng 1.51 ends with 0 and says so on standard error alone.
        trouble = [line for line in said.decode(errors="replace").splitlines() if line.strip()]
        wrong = [line for line in trouble if line.lower().startswith("error")]
        if process.returncode or wrong:
            why = (wrong or trouble or [f"{PROGRAM} ended with {process.returncode}"])[-1]
            raise SpeechFault(why)
