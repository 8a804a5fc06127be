"""What the commands have in common: the settings they are given, and how they fail."""

import argparse
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dustcake.settings.collector import Collector
    from dustcake.settings.model import Settings

DONE, FAILED, BAD_USAGE, UNREACHED = 0, 1, 2, 3
DEFAULT_SETTINGS = Path("/etc/dustcake/dustcake.toml")


def add_settings(parser: argparse.ArgumentParser, *, optional: bool = False) -> None:
    """The settings file: an argument, or for commands about a running daemon an option."""
    if optional:
        parser.add_argument(
            "--settings",
            type=Path,
            default=DEFAULT_SETTINGS,
            metavar="FILE",
            help=f"settings file of the running daemon (default {DEFAULT_SETTINGS})",
        )
    else:
        parser.add_argument("file", type=Path, metavar="FILE", help="the settings file (TOML)")


def settings_or_none(path: Path) -> "Settings | None":
    """The settings; None when they cannot be used, and then everything wrong has been printed."""
    from dustcake.settings.errors import SettingsError
    from dustcake.settings.load import load_settings

    try:
        return load_settings(path)
    except SettingsError as error:
        fail(str(error))
        return None


class UsageError(Exception):
    """What is wrong with the options, and the remedy."""


def chosen_collector(settings: "Settings", name: str | None, source: object) -> "Collector":
    """The collector that is meant; ``name`` None: the only one. ``source``: what the settings are
    called. Raises UsageError."""
    names = ", ".join(each.name for each in settings.collectors)
    if name is None and len(settings.collectors) > 1:
        raise UsageError(f"{source} has several collectors; add --collector with one of {names}")
    for each in settings.collectors:
        if name in (None, each.name):
            return each
    raise UsageError(f"--collector {name}: no such collector in {source}; name one of {names}")


_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
_LENGTH = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)")


def seconds_in(text: str) -> float | None:
    """A length of time as people write it, such as 90min, 12h or 2d; None where it is none."""
    found = _LENGTH.fullmatch(text)
    return None if found is None else float(found[1]) * _SECONDS[found[2]]


def file_called(*endings: str) -> Callable[[str], Path]:
    """The type of an option that names a file to write, whose ending says what it is."""

    def named(text: str) -> Path:
        if Path(text).suffix.lower() not in endings:
            wanted = " or ".join(endings)
            raise argparse.ArgumentTypeError(f"{text!r}: name a file that ends in {wanted}")
        return Path(text)

    return named


def between(above: float, to: float, wanted: str) -> Callable[[str], float]:
    """The type of an option that is a number above ``above`` and up to ``to``; ``wanted`` says of
    what, in which unit, with an example."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = above
        if not above < value <= to:
            limits = f"above {above:g}, up to {to:g}"
            raise argparse.ArgumentTypeError(f"{text!r}: give {wanted} ({limits})")
        return value

    return read


def whole_number(least: int, most: int) -> Callable[[str], int]:
    """The type of an option that is a whole number from ``least`` to ``most``."""

    def read(text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            value = least - 1
        if not least <= value <= most:
            limits = f"from {least} to {most}"
            raise argparse.ArgumentTypeError(f"{text!r}: give a whole number {limits}")
        return value

    return read


PROGRESS_EVERY_S = 0.5


class ProgressLine:
    """How far a long piece of work has come, on one line of stderr where that is a terminal. May be
    used from several threads."""

    def __init__(self, every_s: float | None = None) -> None:
        """``every_s``: shown so often at most."""
        self.watched = sys.stderr.isatty()
        self._every_s = PROGRESS_EVERY_S if every_s is None else every_s
        self._shown_s = time.monotonic()
        self._on_screen = False
        self._lock = Lock()

    def show(self, text: Callable[[], str]) -> None:
        """Replaces what is shown, if it is time for that."""
        now_s = time.monotonic()
        if self.watched and now_s - self._shown_s >= self._every_s:
            self._shown_s = now_s
            self._write(text())

    def clear(self) -> None:
        """Leaves the line empty for what is printed next."""
        if self._on_screen:
            self._write("")

    def close(self) -> None:
        """The same for good: what comes late, from another thread, is not shown."""
        self.clear()
        self.watched = False

    def _write(self, text: str) -> None:
        with self._lock:
            if self.watched:
                print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)
                self._on_screen = bool(text)


def fail(message: str) -> None:
    """Tell a person what went wrong."""
    print(message, file=sys.stderr)
