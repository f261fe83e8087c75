"""Small files of the panel, written on a thread beside the event loop.

A card that sleeps, is full or no longer answers delays nobody: data to be written waits in bounded
memory, and each change tries again.
"""

from __future__ import annotations

import _thread
import asyncio
import contextlib
import os
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path

from evenwall_bridge.contract import Clock

LINES_WAITING = 1000  # of a journal of lines; the oldest go first
LINES_BYTES = 2_000_000  # of one file of lines; the previous file is kept
SLOW_s = 10.0  # a write that takes longer is reported: the disk may be dead
LAST_WAIT_s = 2.0  # at the end of the process


class Keeper:
    """Files of one folder: lines are added to one of them, others are replaced as a whole.

    Every method but `_work` and what it calls belongs to the event loop's thread. The writing
    thread runs only while there is something to write. None as the folder keeps nothing.
    """

    def __init__(
        self, clock: Clock, folder: Path | None, lines: str, heard: Callable[[str | None], None]
    ) -> None:
        """Set up. lines: stem of the file of lines. heard: called with the reason while the disk
        refuses or does not answer, and with None when it has taken everything."""
        self._clock, self._folder, self._stem, self._heard = clock, folder, lines, heard
        self._lines: deque[str] = deque(maxlen=LINES_WAITING)
        self._whole: dict[str, str] = {}  # newest content by name
        self._changed = threading.Condition()
        self._writing = False
        self._told = False
        self._since_s = 0.0  # when the present write began, on the clock
        try:
            self._loop: asyncio.AbstractEventLoop | None = asyncio.get_running_loop()
        except RuntimeError:
            self._loop = None

    # --- the loop's side ---------------------------------------------------------------------

    def line(self, text: str) -> None:
        """Add a line."""
        if self._folder is not None:
            with self._changed:
                self._lines.append(text)
            self._wake()

    def whole(self, name: str, text: str) -> None:
        """Replace a file, which only its owner may read."""
        if self._folder is not None:
            with self._changed:
                self._whole[name] = text
            self._wake()

    def close(self, wait_s: float = LAST_WAIT_s) -> bool:
        """Wait until everything has been tried once; return whether all of it is on the disk."""
        with self._changed:
            self._changed.wait_for(lambda: not self._writing, wait_s)
            if self._writing or not (self._lines or self._whole):
                return not self._writing
        self._wake()  # data that was refused before gets a last chance
        with self._changed:
            self._changed.wait_for(lambda: not self._writing, wait_s)
            return not (self._writing or self._lines or self._whole)

    def _wake(self) -> None:
        now_s = self._clock.now_s()
        with self._changed:
            if self._writing:
                late_s = now_s - self._since_s
                if late_s < SLOW_s:
                    return
                self._told = True
            else:
                self._writing, self._since_s, late_s = True, now_s, 0.0
        if late_s:
            self._heard(f"the disk has not answered for {late_s:.0f} s")
            return
        try:
            # Thread.start() would wait until the thread has begun, which a busy machine delays.
            _thread.start_new_thread(self._work, ())
        except RuntimeError:  # no more threads: the next change tries again
            self._end("no thread could be started", self._heard)

    # --- the thread's side -------------------------------------------------------------------

    def _work(self) -> None:
        """Write until nothing waits, or until the disk refuses."""
        while True:
            with self._changed:
                whole, self._whole = self._whole, {}
                lines = list(self._lines)
                self._lines.clear()
                self._since_s = self._clock.now_s()
                over = self._told and not (whole or lines)
                self._told = self._told and not over
            if over:
                self._on_the_loop(None)  # before `close` may return
            elif not (whole or lines):
                with self._changed:
                    if not (self._whole or self._lines):
                        self._writing = False
                        self._changed.notify_all()
                        return
            elif (why := self._written(whole, lines)) is not None:
                self._end(why, self._on_the_loop)
                return

    def _written(self, whole: dict[str, str], lines: list[str]) -> str | None:
        """Write these and put back what the disk refused; return its reason."""
        why = None
        for name, text in whole.items():
            try:
                self._replace(name, text)
            except OSError as error:
                why = error.strerror or str(error)
                with self._changed:
                    self._whole.setdefault(name, text)
        try:
            self._add(lines)
        except OSError as error:
            why = error.strerror or str(error)
            with self._changed:
                room = LINES_WAITING - len(self._lines)
                self._lines.extendleft(reversed(lines[max(0, len(lines) - room) :] if room else []))
        return why

    def _end(self, why: str, say: Callable[[str | None], None]) -> None:
        say(why)  # before `close` may return
        with self._changed:
            self._writing, self._told = False, True
            self._changed.notify_all()

    def _on_the_loop(self, why: str | None) -> None:
        if self._loop is None:
            self._heard(why)
            return
        with contextlib.suppress(RuntimeError):  # the loop has ended
            self._loop.call_soon_threadsafe(self._heard, why)

    def _replace(self, name: str, text: str) -> None:
        if self._folder is None:
            return
        fresh = self._folder / f"{name}.new"
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
        fresh.replace(self._folder / name)

    def _add(self, lines: list[str]) -> None:
        if self._folder is None or not lines:
            return
        path = self._folder / f"{self._stem}.jsonl"
        with path.open("a", encoding="utf-8") as file:
            file.write("".join(lines))
            size = file.tell()
        if size > LINES_BYTES:
            path.replace(self._folder / f"{self._stem}.1.jsonl")
