"""A command that serves a page, started by a test."""

from __future__ import annotations

import re
import signal
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any


@contextmanager
def served(
    command: Sequence[str], *, ended_by: signal.Signals = signal.SIGINT, **more: Any
) -> Iterator[tuple[str, int]]:
    """Start the command on a free port; yield the address that it prints, and its process id.

    more: as `subprocess.Popen`. Raises RuntimeError when its first line has no address.
    """
    process = subprocess.Popen(
        [*command, "--port", "0"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        **more,
    )
    try:
        line = process.stdout.readline() if process.stdout else ""
        found = re.search(r"http://127\.0\.0\.1:\d+/", line)
        if found is None:
            raise RuntimeError(f"{' '.join(command)} said {line!r}")
        yield found[0], process.pid
    finally:
        process.send_signal(ended_by)
        process.communicate(timeout=60)
