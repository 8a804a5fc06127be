"""What the commands have in common: how they fail, settings and collector, options, logging.

Nothing heavy is imported before it is needed: this module is part of `dustcake --help`.
"""

import argparse
import json
import re
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dustcake.settings.model import Collector, Settings

DONE, FAILED, BAD_USAGE, UNREACHED = 0, 1, 2, 3
DEFAULT_SETTINGS = Path("/etc/dustcake/dustcake.toml")


class CommandError(Exception):
    """Ends a command: the message says what is wrong and what to do, ``code`` is the exit code."""

    def __init__(self, message: str, code: int = FAILED) -> None:
        super().__init__(message)
        self.code = code


class UsageError(CommandError):
    """Options or settings are not in order."""

    def __init__(self, message: str) -> None:
        super().__init__(message, BAD_USAGE)


def fail(message: str) -> None:
    """Print what went wrong, for a person."""
    print(message, file=sys.stderr)


def lab_module(name: str, purpose: str) -> ModuleType:
    """The module of that name, outside the controller, needed for ``purpose``. The lab imports the
    controller, never the reverse, so it is found by its name. Raises UsageError."""
    if find_spec("dustcake_lab") is None:
        raise UsageError(
            f"{purpose} is part of the lab, the package dustcake_lab, which is not installed; "
            "install dustcake with it (in the checkout: pip install '.[analysis]')"
        )
    return import_module(name)


# --- settings, collector, daemon


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


def settings_in(path: Path) -> "Settings":
    """The settings in this file. Raises UsageError, which lists everything wrong with them."""
    from dustcake.settings.errors import SettingsError
    from dustcake.settings.load import load_settings

    try:
        return load_settings(path)
    except SettingsError as error:
        raise UsageError(str(error)) from None


def chosen_collector(settings: "Settings", name: str | None) -> "Collector":
    """The collector of this name; without a name, the only one. Raises UsageError."""
    names = ", ".join(each.name for each in settings.collectors)
    if name is None and len(settings.collectors) > 1:
        raise UsageError(f"the settings have several collectors: add --collector, one of {names}")
    for each in settings.collectors:
        if name in (None, each.name):
            return each
    raise UsageError(f"--collector {name}: no such collector in the settings; name one of {names}")


def ask_daemon(settings: "Settings", question: Mapping[str, Any]) -> dict[str, Any]:
    """The answer of the daemon that runs with these settings. Raises CommandError."""
    from dustcake.adapters.local_client import NoDaemonError, ask

    try:
        line = ask(Path(settings.control.socket), json.dumps(question).encode())
    except NoDaemonError as error:
        raise CommandError(str(error), UNREACHED) from None
    answer: dict[str, Any] = json.loads(line)
    return answer


# --- types of options; each raises argparse.ArgumentTypeError


_SECONDS = {"s": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}
_PART = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|m|h|d)\s*")


def seconds_in(text: str) -> float | None:
    """A length of time as people write it: 90min, 5m, 12h, 1h30m or 2d; None where it is none."""
    if not re.fullmatch(f"(?:{_PART.pattern})+", text):
        return None
    return sum(float(number) * _SECONDS[unit] for number, unit in _PART.findall(text))


def between(
    low: float, high: float, wanted: str, *, inclusive: bool = False
) -> Callable[[str], float]:
    """A number above ``low`` (or ``inclusive`` of it) and up to ``high``; ``wanted`` says of what,
    in which unit, with an example."""

    def read(text: str) -> float:
        with suppress(ValueError):
            value = float(text)
            if low <= value <= high and (inclusive or value > low):
                return value
        limits = f"{'from' if inclusive else 'above'} {low:g}, up to {high:g}"
        raise argparse.ArgumentTypeError(f"{text!r}: give {wanted} ({limits})")

    return read
