"""Read what a serial port holds when the event loop reports it readable."""

from __future__ import annotations

import errno
import os


def arrived(fd: int) -> bytes:
    """The bytes that are there, b"" for none after all. Raises OSError for a port that is gone."""
    try:
        data = os.read(fd, 4096)
    except BlockingIOError:
        return b""
    if not data:
        raise OSError(errno.ENODEV, "unplugged")
    return data
