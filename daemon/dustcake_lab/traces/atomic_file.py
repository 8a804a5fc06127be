"""Files that are written whole or not at all: beside their place first, and then moved there."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from errno import EISDIR, ENOSPC
from os import strerror
from pathlib import Path


class UnwritableError(Exception):
    """Why a file cannot be written, with its name and the remedy."""


def require_writable(to: Path) -> None:
    """Raises UnwritableError where ``to`` could not be written just now: before work is begun whose
    result would be lost. What is there is left alone."""
    with _named(to):
        if to.is_dir():
            raise IsADirectoryError(EISDIR, strerror(EISDIR))
        _part(to).touch()
        _part(to).unlink()


@contextmanager
def atomic_write(to: Path) -> Iterator[Path]:
    """Where to write what shall stand at ``to`` once all of it is there. Raises UnwritableError."""
    part = _part(to)
    try:
        with _named(to):
            yield part
            part.replace(to)
    finally:
        with suppress(OSError):
            part.unlink()


def _part(to: Path) -> Path:
    """Beside it, as a disk is full or read-only as a whole; with its ending, from which some
    know what to write."""
    return to.with_name(f"{to.stem}.part{to.suffix}")


@contextmanager
def _named(to: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        why = error.strerror or str(error)
        remedy = "make room there, or name" if error.errno == ENOSPC else "name"
        raise UnwritableError(f"{to}: {why}; {remedy} a file this user may write") from None
