"""What a serial port has brought, for whoever is told by the event loop that it is readable."""

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
