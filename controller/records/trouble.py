"""Troubles of a record's file: damaged, of a later release, refused by its disk, or full."""

from __future__ import annotations

import errno
import sqlite3

from evenwall.errors import RecordError

# Primary result codes (sqlite.org/rescode.html): the low byte of what an error carries.
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_REFUSAL = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN)
OF_DISK = (errno.EROFS, errno.EIO, errno.ENOSPC, errno.EDQUOT)


class Damaged(RecordError):
    """The file is no record any more."""


class OfLaterRelease(RecordError):
    """The file is a record that a newer Evenwall has written."""


class DiskRefuses(RecordError):
    """The disk can be read at best, and will not come back by itself."""


class DiskFull(RecordError):
    """No room, until somebody makes some."""


LASTING: tuple[type[RecordError], ...] = (Damaged, DiskRefuses)


def said(error: sqlite3.Error, before: str = "") -> RecordError:
    """Turn SQLite's error into the kind of trouble that it is."""
    code = getattr(error, "sqlite_errorcode", 0)  # none on its own module's complaints
    primary, kind = code & 0xFF, RecordError
    if primary in _DAMAGE:
        kind = Damaged
    # A full disk has no room for the index of the log either; SQLite says that in another word.
    elif primary == sqlite3.SQLITE_FULL or code == sqlite3.SQLITE_IOERR_SHMSIZE:
        kind = DiskFull
    elif primary in _REFUSAL:
        kind = DiskRefuses
    return kind(f"{before}{error}")
