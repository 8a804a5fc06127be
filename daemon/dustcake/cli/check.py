"""`dustcake check`: is this settings file in order, and what does it mean?"""

import argparse
import json
import sys
from itertools import groupby
from pathlib import Path

from dustcake.cli.common import BAD_USAGE, DONE, add_settings
from dustcake.settings.errors import SettingsError
from dustcake.settings.load import load_settings
from dustcake.settings.model import Settings
from dustcake.settings.summary import summary

DESCRIPTION = "Check a settings file, and say in plain words what was understood."
EPILOG = """\
example:
  dustcake check /etc/dustcake/dustcake.toml

Nothing is connected to and nothing is moved. Exit code 0: in order; 2: every problem is listed
with its setting, its value, what is allowed, and the remedy.
"""


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
        _print_problems(error, as_json=arguments.json)
        return BAD_USAGE
    if arguments.json:
        _print_json(settings, file)
    else:
        _print_words(settings, file)
    return DONE


def _print_problems(error: SettingsError, *, as_json: bool) -> None:
    if not as_json:
        print(error, file=sys.stderr)
        return
    print(json.dumps({"file": error.source, "valid": False, "problems": len(error.problems)}))
    for problem in error.problems:
        print(
            json.dumps(
                {
                    "setting": problem.setting,
                    "value": problem.value,
                    "allowed": problem.allowed,
                    "remedy": problem.remedy,
                }
            )
        )


def _print_json(settings: Settings, file: Path) -> None:
    names = [collector.name for collector in settings.collectors]
    print(json.dumps({"file": str(file), "valid": True, "problems": 0, "collectors": names}))
    for statement in summary(settings):
        print(
            json.dumps(
                {
                    "subject": statement.subject,
                    "caution": statement.caution,
                    "text": statement.text,
                }
            )
        )


def _print_words(settings: Settings, file: Path) -> None:
    print(f"{file}: in order")
    for subject, statements in groupby(summary(settings), key=lambda each: each.subject):
        print(f"\n{subject}")
        for statement in statements:
            print(f"  {'! ' if statement.caution else ''}{statement.text}")
