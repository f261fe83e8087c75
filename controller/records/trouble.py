"""Troubles of a record's file: damaged, of a later release, refused by its disk, or full."""

from __future__ import annotations

import errno
import sqlite3

from evenwall.errors import RecordError

# Primary result codes (sqlite.org/rescode.html): the low byte of an error's code.
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_REFUSAL = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN)
OF_DISK = (errno.EROFS, errno.EIO, errno.ENOSPC, errno.EDQUOT)


class Damaged(RecordError):
    """The file can no longer be read as a record."""


class OfLaterRelease(RecordError):
    """The file is a record that a newer Evenwall has written."""


class DiskRefuses(RecordError):
    """The disk cannot be written, perhaps not even read, and will not recover by itself."""


class DiskFull(RecordError):
    """The disk is full until somebody frees some space."""


# SQLite quotes a damaged name in its message; Python then cannot decode the message itself.
SQLITE_ERRORS = (sqlite3.Error, UnicodeDecodeError)
LASTING: tuple[type[RecordError], ...] = (Damaged, DiskRefuses)


def said(error: sqlite3.Error | UnicodeDecodeError, before: str = "") -> RecordError:
    """Return the RecordError that corresponds to an error of SQLite."""
    if isinstance(error, UnicodeDecodeError):
        return Damaged(f"{before}a damaged name in the file")
    code = getattr(error, "sqlite_errorcode", 0)  # the sqlite3 module's own errors have no code
    primary, kind = code & 0xFF, RecordError
    if primary in _DAMAGE:
        kind = Damaged
    # A full disk also has no room for the index of the log; SQLite has another code for that.
    elif primary == sqlite3.SQLITE_FULL or code == sqlite3.SQLITE_IOERR_SHMSIZE:
        kind = DiskFull
    elif primary in _REFUSAL:
        kind = DiskRefuses
    return kind(f"{before}{error}")
