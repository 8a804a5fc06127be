"""`dustcake request`: ask the running daemon for something; it may refuse, and says why."""

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
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import AlarmAction, Entry, Mode, SetPoint
from dustcake.core.setpoints import AlarmName
from dustcake.publish.payloads import point_words
from dustcake.units import parse_pressure

DESCRIPTION = "Ask the running daemon for something. It may refuse, and says why."
EPILOG = """\
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
    mode = kinds.add_parser("mode", parents=[after], help="select the cleaning mode")
    mode.add_argument("mode", choices=[each.value for each in Mode])
    zero = kinds.add_parser(
        "zero", parents=[after], help="take the present dP as zero, with the blower off"
    )
    zero.add_argument(
        "--blower-off-confirmed",
        action="store_true",
        help="where no contact proves it: you have seen that the blower stands still",
    )
    acknowledge = kinds.add_parser("acknowledge", parents=[after], help="acknowledge an alarm")
    _add_alarm(acknowledge)
    for action, what in _ALARM_ACTIONS.items():
        handle = kinds.add_parser(action.value, parents=[after], help=what)
        _add_alarm(handle)
        if action is AlarmAction.SHELVE:
            handle.add_argument(
                "--for",
                type=_length,
                required=True,
                dest="for_s",
                metavar="TIME",
                help="how long, as 30min or 8h",
            )
        needed = action in (AlarmAction.SHELVE, AlarmAction.OUT_OF_SERVICE)
        handle.add_argument(
            "--why",
            required=needed,
            default="",
            metavar="TEXT",
            help="why, for the record" if needed else "why, for the record (may be left out)",
        )
    _add_log_book(kinds, after)
    _add_set_points(kinds, after)
    blower = kinds.add_parser(
        "blower", parents=[after], help="set or withdraw the blower run request"
    )
    blower.add_argument("run", choices=("on", "off"))
    pulse = kinds.add_parser(
        "pulse", parents=[after], help="pulse one valve once, for somebody who watches it"
    )
    pulse.add_argument("valve", type=int, metavar="N")


_ALARM_ACTIONS = {
    AlarmAction.RESET: "reset an alarm that latches, when it is no longer active",
    AlarmAction.SHELVE: "set an alarm aside for a limited time",
    AlarmAction.UNSHELVE: "take it back before that time is over",
    AlarmAction.OUT_OF_SERVICE: "take an alarm out, until somebody puts it back",
    AlarmAction.IN_SERVICE: "put it back",
}


def _add_log_book(kinds: Any, after: argparse.ArgumentParser) -> None:
    change = kinds.add_parser(
        "filter_change", parents=[after], help="put a change of filters on record"
    )
    change.add_argument(
        "--valves",
        type=int,
        nargs="+",
        default=[],
        metavar="N",
        help="valves of the rows that were changed, if not all were",
    )
    change.add_argument("--note", default="", metavar="TEXT", help="to be noted with it")
    entry = kinds.add_parser("record", parents=[after], help="write in the log book")
    entry.add_argument("entry", choices=[each.value for each in Entry])
    entry.add_argument("--upkeep", metavar="NAME", help="for upkeep_done: which")
    entry.add_argument("--note", default="", metavar="TEXT", help="to be noted with it")


def _add_set_points(kinds: Any, after: argparse.ArgumentParser) -> None:
    change = kinds.add_parser(
        "set_points",
        parents=[after],
        help="change set points, within the limits of the settings; `confirm` makes it act",
    )
    for option, what in (("--low", "low set point"), ("--high", "high set point")):
        name = f"{option.removeprefix('--')}_pa"
        change.add_argument(
            option, type=_pressure, dest=name, metavar="PRESSURE", help=f"{what}, as 3.0inH2O"
        )
    change.add_argument(
        "--interval", type=float, dest="interval_s", metavar="SECONDS", help="pulse to pulse"
    )
    change.add_argument(
        "--on-time", type=float, dest="on_time_s", metavar="SECONDS", help="of a valve"
    )
    confirm = kinds.add_parser(
        "confirm", parents=[after], help="let the change of set points take effect"
    )
    confirm.add_argument(
        "change", type=int, metavar="NUMBER", help="its number, from the answer to set_points"
    )


def _pressure(text: str) -> float:
    try:
        return round(parse_pressure(text).pa, 6)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r}: {error}") from None


def _add_alarm(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("alarm", choices=[each.value for each in AlarmName], metavar="ALARM")


def _length(text: str) -> float:
    length_s = seconds_in(text)
    if length_s is None:
        raise argparse.ArgumentTypeError(f"{text!r} is no length of time: write 30min, 8h or 1h30m")
    return length_s


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    answer = ask_daemon(settings_in(arguments.settings), _request(arguments))
    if arguments.json:
        print(json.dumps(answer, ensure_ascii=False))
        return DONE if answer["accepted"] else FAILED
    print(f"{'accepted' if answer['accepted'] else 'refused'}: {answer['reason']}")
    for point in answer.get("points", ()):
        print(f"  {point_words(point)}")
    if answer.get("reason_code") == Because.CONFIRM_CHANGE:
        print(f"  to confirm: {_confirm_command(arguments, answer['change'])}")
    return DONE if answer["accepted"] else FAILED


def _confirm_command(arguments: argparse.Namespace, change: int) -> str:
    """The command line, for the same daemon and collector."""
    words = ["dustcake", "request"]
    if arguments.settings != DEFAULT_SETTINGS:
        words += ["--settings", str(arguments.settings)]
    if arguments.collector is not None:
        words += ["--collector", arguments.collector]
    return shlex.join([*words, "confirm", str(change)])


_PASSED_ON = (
    *("alarm", "why", "for_s", "valve", "valves", "entry", "upkeep", "note", "change"),
    *(point.value for point in SetPoint),
)


def _request(arguments: argparse.Namespace) -> dict[str, Any]:
    """The request as the daemon takes it."""
    request: dict[str, Any] = {"request": arguments.kind, "id": uuid.uuid4().hex}
    if arguments.collector is not None:
        request["collector"] = arguments.collector
    if arguments.kind == "mode":
        request["mode"] = arguments.mode
    elif arguments.kind == "zero":
        request["blower_off_confirmed"] = arguments.blower_off_confirmed
    elif arguments.kind == "blower":
        request["run"] = arguments.run == "on"
    else:
        request |= {
            name: getattr(arguments, name)
            for name in _PASSED_ON
            if getattr(arguments, name, None) is not None
        }
    return request
