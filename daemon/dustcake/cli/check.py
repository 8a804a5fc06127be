"""Check a settings file, and say in plain words what was understood.

example:
  dustcake check /etc/dustcake/dustcake.toml

Nothing is connected to and nothing is moved. Exit code 0: in order; 2: every problem is listed
with its setting, its value, what is allowed, and the remedy.
"""

import argparse
import json
from collections.abc import Iterable
from itertools import groupby
from pathlib import Path

from dustcake.cli.common import BAD_USAGE, DONE, add_settings, fail
from dustcake.settings.errors import SettingsError
from dustcake.settings.load import load_settings
from dustcake.settings.model import Settings
from dustcake.settings.summary import summary


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake check`."""
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    file: Path = arguments.file
    try:
        settings = load_settings(file)
    except SettingsError as error:
        if arguments.json:
            head = {"file": error.source, "valid": False, "problems": len(error.problems)}
            _print_json(head, error.problems, "setting", "value", "allowed", "remedy")
        else:
            fail(str(error))
        return BAD_USAGE
    if arguments.json:
        names = [collector.name for collector in settings.collectors]
        head = {"file": str(file), "valid": True, "problems": 0, "collectors": names}
        _print_json(head, summary(settings), "subject", "caution", "text")
    else:
        _print_words(settings, file)
    return DONE


def _print_json(head: dict[str, object], parts: Iterable[object], *names: str) -> None:
    """``head``, then these attributes of each part, one object a line."""
    print(json.dumps(head))
    for part in parts:
        print(json.dumps({name: getattr(part, name) for name in names}))


def _print_words(settings: Settings, file: Path) -> None:
    print(f"{file}: in order")
    for subject, statements in groupby(summary(settings), key=lambda each: each.subject):
        print(f"\n{subject}")
        for statement in statements:
            print(f"  {'! ' if statement.caution else ''}{statement.text}")
