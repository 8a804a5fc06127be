"""What can go wrong with the file, in words a technician can act on."""

import sqlite3
from pathlib import Path


class StoreRefused(Exception):  # noqa: N818 -- a refusal, not a bug
    """The file cannot be used as it is. The message says why and what to do."""


_WORDS = {
    sqlite3.SQLITE_FULL: ("the disk is full", "make room on the disk"),
    sqlite3.SQLITE_READONLY: (
        "it cannot be written",
        "make the disk writable and the file owned by the user the daemon runs as",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "it cannot be opened",
        "make the directory readable and writable for the user the daemon runs as",
    ),
    sqlite3.SQLITE_PERM: (
        "access is denied",
        "make the file owned by the user the daemon runs as",
    ),
    sqlite3.SQLITE_BUSY: ("another program holds it", "close the other program"),
    sqlite3.SQLITE_LOCKED: ("another program holds it", "close the other program"),
    sqlite3.SQLITE_IOERR: ("the disk reports an error", "check the disk, replace a worn SD card"),
    sqlite3.SQLITE_CORRUPT: (
        "it is damaged",
        "nothing: it is moved aside and a new one started",
    ),
    sqlite3.SQLITE_NOTADB: (
        "it is damaged",
        "nothing: it is moved aside and a new one started",
    ),
}


def is_expected(error: sqlite3.Error) -> bool:
    """Whether the disk is to blame rather than this program."""
    return _primary(error) in _WORDS


def is_damage(error: sqlite3.Error) -> bool:
    """Whether the content of the file is broken."""
    return _primary(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def explain(error: sqlite3.Error | OSError, path: Path) -> str:
    """Cause and remedy."""
    if isinstance(error, OSError):
        return f"journal {path}: {error.strerror or error}; check the disk and its permissions"
    cause, remedy = _WORDS.get(_primary(error), ("it cannot be used", "see the cause"))
    return f"journal {path}: {cause} ({error}); {remedy}"


def _primary(error: sqlite3.Error) -> int:
    # The upper bits of an extended result code only refine the lowest eight.
    code: int = getattr(error, "sqlite_errorcode", 0)
    return code & 0xFF
