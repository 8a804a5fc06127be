"""What can go wrong with the file, in words a technician can act on."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
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
}

# Numbers are taken from the file itself, so that they can clash or not fit only where it is broken.
_DAMAGE = (
    sqlite3.SQLITE_CORRUPT,
    sqlite3.SQLITE_NOTADB,
    sqlite3.SQLITE_CONSTRAINT,
    sqlite3.SQLITE_MISMATCH,
)
_WORDS |= dict.fromkeys(
    _DAMAGE,
    (
        "it is damaged, or no journal",
        "the daemon moves its own aside by itself and starts a new one; to read one, name another",
    ),
)


def is_expected(error: sqlite3.Error) -> bool:
    """Whether the disk is to blame rather than this program."""
    return _primary(error) in _WORDS


def is_damage(error: sqlite3.Error) -> bool:
    """Whether the content of the file is broken."""
    return _primary(error) in _DAMAGE


def damage(what: str) -> sqlite3.DatabaseError:
    """Damage that SQLite itself has not noticed."""
    found = sqlite3.DatabaseError(what)
    found.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return found


@contextmanager
def damage_named() -> Iterator[None]:
    """Where SQLite quotes damaged text in a message, Python cannot decode that, and raises its own
    error instead of ``sqlite3.Error``."""
    try:
        yield
    except UnicodeDecodeError as error:
        raise damage(f"text is not UTF-8: {error.reason}") from None


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
