"""Words of a command on standard output and standard error, and the bar of long work."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from unicodedata import category

from evenwall.errors import EvenwallError
from evenwall.planning.pace import Pace, left_words
from evenwall.units import System, in_units
from evenwall_bridge.clock import SystemClock


@dataclass
class _Manners:
    quiet: bool = False
    units: System = "metric"


_manners = _Manners()


def choose(*, quiet: bool, units: System = "metric") -> None:
    """Choose for this process: quiet leaves remarks out; units are those of printed figures."""
    _manners.quiet, _manners.units = quiet, units


def printable(text: str) -> str:
    """Return a text without characters that would control a terminal: text from a phone may contain
    any.

    These are the control characters of ISO/IEC 6429 and those that change the direction of writing.
    """
    return "".join(one if _is_harmless(one) else "\ufffd" for one in text)


def _is_harmless(letter: str) -> bool:
    return letter in "\n\t" or letter.isprintable() or category(letter) == "Zs"  # a wide space


def say(text: str) -> None:
    """Print words on standard output, with their figures in the chosen units."""
    print(printable(in_units(text, _manners.units)), flush=True)


def note(text: str) -> None:
    """Print a remark on standard error, so that --json stays one document. --quiet drops it."""
    if not _manners.quiet:
        complain(in_units(text, _manners.units))


def complain(text: str) -> None:
    """Print an error on standard error, even with --quiet."""
    print(printable(text), file=sys.stderr, flush=True)


def show_json(document: object) -> None:
    json.dump(document, sys.stdout, indent=1, allow_nan=False)
    print(flush=True)


@contextmanager
def progress_bar(title: str) -> Iterator[Callable[[float, str], None]]:
    """Show a bar on standard error; the callable takes the fraction done and a few words."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        TextColumn("{task.fields[words]}"),
    )
    with Progress(*columns, console=Console(stderr=True), transient=False) as progress:
        task = progress.add_task(title, total=1.0, words="", visible=False)

        pace = Pace(SystemClock())

        def tell(fraction: float, words: str) -> None:
            left = left_words(pace.left_s(fraction))
            progress.update(task, completed=fraction, words=f"{words}{left}", visible=True)
            if fraction >= 1.0:
                progress.stop()  # the hours of casting that follow need no full bar

        try:
            yield tell
        except EvenwallError:
            # A refusal prints one line only: no bar, and not the empty line after a bar.
            progress.live.transient = True
            progress.live.stop()
            progress.disable = True
            raise
