"""Read what a serial port holds when the event loop reports it readable."""

from __future__ import annotations

import errno
import os


def arrived(fd: int) -> bytes:
    """Return the bytes that have arrived, or b"" for none. Raises OSError if the port is gone."""
    try:
        data = os.read(fd, 4096)
    except BlockingIOError:
        return b""
    if not data:
        raise OSError(errno.ENODEV, "unplugged")
    return data
