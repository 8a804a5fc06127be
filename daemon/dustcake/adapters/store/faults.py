"""What can go wrong with the file, in words a technician can act on."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class StoreRefused(Exception):  # noqa: N818 -- a refusal, not a bug
    """The file cannot be used as it is. The message says why and what to do."""


_HELD = ("another program holds it", "close the other program")
_DAMAGED = (
    "it is damaged, or no journal",
    "the daemon moves its own aside by itself and starts a new one; to read one, name another",
)
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
    sqlite3.SQLITE_BUSY: _HELD,
    sqlite3.SQLITE_LOCKED: _HELD,
    sqlite3.SQLITE_IOERR: ("the disk reports an error", "check the disk, replace a worn SD card"),
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
    # Numbers are taken from the file itself, so that they clash or do not fit only where it is
    # broken.
    sqlite3.SQLITE_CONSTRAINT: _DAMAGED,
    sqlite3.SQLITE_MISMATCH: _DAMAGED,
}
_UNKNOWN = ("it cannot be used", "see the cause")


def is_damage(error: sqlite3.Error) -> bool:
    """Whether the content of the file is broken."""
    return _words(error) is _DAMAGED


def damage(what: str) -> sqlite3.DatabaseError:
    """Damage that SQLite itself has not noticed."""
    found = sqlite3.DatabaseError(what)
    found.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return found


@contextmanager
def damage_named() -> Iterator[None]:
    """Raise as ``damage`` what Python raises where SQLite quotes damaged text in a message, which
    cannot be decoded."""
    try:
        yield
    except UnicodeDecodeError as error:
        raise damage(f"text is not UTF-8: {error.reason}") from None


@contextmanager
def refusing(path: Path, *, unknown_too: bool = True) -> Iterator[None]:
    """Raise what disk and file do to whoever uses ``path`` as ``StoreRefused``, with cause and
    remedy. Without ``unknown_too`` an error that no disk can be blamed for stays what it is."""
    try:
        with damage_named():
            yield
    except OSError as error:
        raise StoreRefused(
            f"journal {path}: {error.strerror or error}; check the disk and its permissions"
        ) from None
    except sqlite3.Error as error:
        cause, remedy = words = _words(error)
        if words is _UNKNOWN and not unknown_too:
            raise
        raise StoreRefused(f"journal {path}: {cause} ({error}); {remedy}") from None


def _words(error: sqlite3.Error) -> tuple[str, str]:
    """Cause and remedy."""
    # The upper bits of an extended result code only refine the lowest eight.
    return _WORDS.get(getattr(error, "sqlite_errorcode", 0) & 0xFF, _UNKNOWN)
