"""What the commands have in common: the settings they are given, and how they fail."""

import argparse
import gc
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
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


@contextmanager
def long_work() -> Iterator[None]:
    """While a long trace is read in one thread and worked on in another: a reader that asks for
    the interpreter gets it sooner, and cycles, which no record makes, are looked for less often."""
    switch_s, thresholds = sys.getswitchinterval(), gc.get_threshold()
    sys.setswitchinterval(0.0005)
    gc.set_threshold(100_000, *thresholds[1:])
    try:
        yield
    finally:
        sys.setswitchinterval(switch_s)
        gc.set_threshold(*thresholds)


def cannot_be_used(rows: int) -> str:
    """So many rows of a trace, in words."""
    return f"{rows} row{'' if rows == 1 else 's'} cannot be used"


def fail(message: str) -> None:
    """Tell a person what went wrong."""
    print(message, file=sys.stderr)
