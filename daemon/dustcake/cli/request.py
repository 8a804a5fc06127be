"""Ask the running daemon for something. It may refuse, and says why.

examples:
  dustcake request mode timed         pulse at the fixed interval until another mode is selected
  dustcake request mode on_demand     clean by dP: start at the high set point, stop at the low
  dustcake request zero               take the zero, with the blower off
  dustcake request pulse 3            once, with nobody at the filters, to prove valve 3
  dustcake request acknowledge high_dp
  dustcake request shelve high_dp --for 2h --why "duct open for repair"
  dustcake request unshelve high_dp
  dustcake request out_of_service smoke --why "detector sent in, fire watch posted"
  dustcake request in_service smoke --why "new detector tested"
  dustcake request reset valve_stuck_open        one that latches, when it is over
  dustcake request filter_change --note "full set, spare no. 12"
  dustcake request record drum_emptied
  dustcake request record upkeep_done --upkeep snubber --note "blown back, was half plugged"
  dustcake request set_points --low "2.5 inH2O" --high "3.5 inH2O"     shown, and not done yet
  dustcake request confirm 4711                  the number from that answer
  dustcake request record note --note "new welding cell in use from today"

Exit code 0: done; 1: refused, with the reason; 2: bad usage; 3: no daemon answers.
"""

import argparse
import json
import shlex
import uuid
from pathlib import Path
from typing import Any

from dustcake.cli.common import (
    DEFAULT_SETTINGS,
    DONE,
    FAILED,
    add_settings,
    ask_daemon,
    seconds_in,
    settings_in,
)
from dustcake.core.alarms.names import AlarmName
from dustcake.core.reasons import Because
from dustcake.core.requests.definitions import KIND_OF, KINDS, Field, FieldType
from dustcake.publish.payloads import point_words
from dustcake.units import parse_pressure, unit_ending


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake request`."""
    add_settings(parser, optional=True)
    parser.add_argument("--collector", metavar="NAME", help="which, if there are several")
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")
    # The same after the request, where people write them too; left out there they change nothing.
    after = argparse.ArgumentParser(add_help=False, argument_default=argparse.SUPPRESS)
    after.add_argument("--settings", type=Path, metavar="FILE", help="as before the request")
    after.add_argument("--collector", metavar="NAME", help="as before the request")
    after.add_argument("--json", action="store_true", help="as before the request")
    kinds = parser.add_subparsers(title="requests", metavar="REQUEST", required=True, dest="kind")
    for kind in KINDS:
        options = kinds.add_parser(kind.name, parents=[after], help=kind.about)
        for place, field in enumerate(kind.fields):
            _add_field(options, field, is_argument=place == 0 and not field.optional)


def _add_field(parser: argparse.ArgumentParser, field: Field, *, is_argument: bool) -> None:
    """An argument for what the request is about, an option for everything else."""
    how: dict[str, Any] = {"help": field.about or None, **_value_of(field)}
    if is_argument:
        parser.add_argument(field.name, **how)
        return
    name = field.name.removesuffix(unit_ending(field.name) or "").replace("_", "-")
    if field.value_type is FieldType.FLAG:
        how = {"help": field.about, "action": "store_true"}
    elif field.only_with is None:
        how["required"] = field.not_empty or not field.optional
    # An option that is left out is no field of the request.
    parser.add_argument(f"--{name}", dest=field.name, default=argparse.SUPPRESS, **how)


def _on_or_off(text: str) -> bool:
    if text not in ("on", "off"):
        raise argparse.ArgumentTypeError(f"{text!r}: write on or off")
    return text == "on"


def _pressure(text: str) -> float:
    try:
        return round(parse_pressure(text).pa, 6)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r}: {error}") from None


def _length(text: str) -> float:
    length_s = seconds_in(text)
    if length_s is None:
        raise argparse.ArgumentTypeError(f"{text!r} is no length of time: write 30min, 8h or 1h30m")
    return length_s


_VALUES: dict[FieldType, dict[str, Any]] = {
    FieldType.ALARM: {"choices": [each.value for each in AlarmName], "metavar": "ALARM"},
    FieldType.FLAG: {"type": _on_or_off, "metavar": "{on,off}"},
    FieldType.WHOLE: {"type": int, "metavar": "N"},
    FieldType.WHOLES: {"type": int, "nargs": "+", "metavar": "N"},
    FieldType.DURATION: {"type": _length, "metavar": "TIME"},
    FieldType.NUMBER: {"type": float, "metavar": "SECONDS"},
    FieldType.LABEL: {"metavar": "NAME"},
    FieldType.TEXT: {"metavar": "TEXT"},
}


def _value_of(field: Field) -> dict[str, Any]:
    """How the value of a field is written."""
    if field.choices is not None:
        return {"choices": [each.value for each in field.choices]}
    if field.name.endswith("_pa"):
        return {"type": _pressure, "metavar": "PRESSURE"}
    return _VALUES[field.value_type]


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    answer = ask_daemon(settings_in(arguments.settings), _request(arguments))
    outcome, code = ("accepted", DONE) if answer["accepted"] else ("refused", FAILED)
    if arguments.json:
        print(json.dumps(answer, ensure_ascii=False))
        return code
    print(f"{outcome}: {answer['reason']}")
    for point in answer.get("points", ()):
        print(f"  {point_words(point)}")
    if answer.get("reason_code") == Because.CONFIRM_CHANGE:
        print(f"  to confirm: {_confirm_command(arguments, answer['change'])}")
    return code


def _confirm_command(arguments: argparse.Namespace, change: int) -> str:
    """The command line, for the same daemon and collector."""
    words = ["dustcake", "request"]
    if arguments.settings != DEFAULT_SETTINGS:
        words += ["--settings", str(arguments.settings)]
    if arguments.collector is not None:
        words += ["--collector", arguments.collector]
    return shlex.join([*words, "confirm", str(change)])


def _request(arguments: argparse.Namespace) -> dict[str, Any]:
    """The request as the daemon takes it."""
    request: dict[str, Any] = {"request": arguments.kind, "id": uuid.uuid4().hex}
    if arguments.collector is not None:
        request["collector"] = arguments.collector
    given = vars(arguments)
    names = (field.name for field in KIND_OF[arguments.kind].fields)
    return request | {name: given[name] for name in names if name in given}
