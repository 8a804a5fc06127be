"""`dustcake history`: what happened, out of the journal."""

import argparse
import sys
import time
from collections.abc import Collection
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import cast, get_args

from dustcake.adapters.store import History, StoreRefused
from dustcake.cli.commands import LabMissingError, lab_module
from dustcake.cli.common import (
    BAD_USAGE,
    DONE,
    FAILED,
    add_settings,
    fail,
    seconds_in,
    settings_or_none,
)
from dustcake.cli.history_air import print_air
from dustcake.cli.history_alarms import changes_in, metrics_json, metrics_words
from dustcake.cli.history_lines import fields_of, json_line, print_csv, words_line
from dustcake.core.events import (
    AirUsed,
    AlarmChanged,
    Body,
    FilterLifeChanged,
    FiltersChanged,
    LogEntry,
    ModeSelected,
    SettingChanged,
    UpkeepDue,
    ZeroTaken,
)
from dustcake.settings.setpoints import to_setpoints

DESCRIPTION = "List the events in the journal, oldest first."
EPILOG = """\
examples:
  dustcake history --settings /etc/dustcake/dustcake.toml --since 2d
  dustcake history --alarms --since 7d           changes of alarms, and the metrics of them all
  dustcake history --log --csv > log_book.csv    the log book, for a spreadsheet
  dustcake history --air --since 30d             compressed air by day, with energy and money
  dustcake history --kind pulse --kind pulse_failed --json | jq .valve
  dustcake history --since 28d --export march.csv   a trace for `dustcake replay`

Reads the journal while the daemon runs, or without it, and changes nothing. Times are UTC. An
event from before the clock was set shows the time found out later, marked ~, or else the start of
the daemon and the seconds of the monotonic clock. With --alarms --json the last object is the
metrics (`"event": "alarm_metrics"`). Exit code 0: told; 2: bad settings or usage; 1: the journal
cannot be read.
"""

LOG_BOOK = frozenset(
    body.name
    for body in (FiltersChanged, LogEntry, ZeroTaken, SettingChanged, ModeSelected, UpkeepDue)
)


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake history`."""
    add_settings(parser, optional=True)
    parser.add_argument(
        "--since",
        type=since,
        metavar="TIME",
        help="from then on: so long ago (90min, 12h, 2d), or ISO 8601 (UTC unless it says another"
        " zone)",
    )
    parser.add_argument("--until", type=since, metavar="TIME", help="up to then; as --since")
    parser.add_argument("--collector", metavar="NAME", help="of this collector only")
    only = parser.add_mutually_exclusive_group()
    only.add_argument(
        "--alarms", action="store_true", help="changes of alarms only, and their metrics"
    )
    only.add_argument(
        "--log",
        action="store_true",
        help="the log book only: filter changes, zeros, entries, set points, modes, upkeep",
    )
    only.add_argument("--life", action="store_true", help="forecasts of filter life only")
    only.add_argument(
        "--air", action="store_true", help="compressed air by day (UTC), with energy and money"
    )
    only.add_argument(
        "--kind",
        action="append",
        choices=sorted(body.name for body in get_args(Body)),
        metavar="EVENT",
        help="events of this kind only, such as pulse; may be given again",
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print one JSON object a line")
    form.add_argument("--csv", action="store_true", help="print a table for spreadsheets")
    parser.add_argument(
        "--export",
        type=_trace_name,
        metavar="FILE",
        help="write what was read and done as a trace for `dustcake replay`: FILE.csv, or"
        " FILE.parquet with the extra `analysis`",
    )


def _trace_name(text: str) -> Path:
    """Raises ``argparse.ArgumentTypeError``."""
    try:
        return cast(Path, _export_module().trace_name(text))
    except LabMissingError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _export_module() -> ModuleType:
    return lab_module("history_export", "--export")


def since(text: str) -> float:
    """UTC seconds. Raises ``argparse.ArgumentTypeError``."""
    ago_s = seconds_in(text)
    if ago_s is not None:
        return time.time() - ago_s
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no time: give how long ago, as 90min, 12h or 2d, or ISO 8601, as "
            "2026-05-04T06:00"
        ) from None
    return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    settings = settings_or_none(arguments.settings)
    if settings is None:
        return BAD_USAGE
    units = {collector.name: collector.shown_in for collector in settings.collectors}
    if arguments.collector is not None and arguments.collector not in units:
        fail(f"there is no collector {arguments.collector!r}: name one of {', '.join(units)}")
        return BAD_USAGE
    if None not in (arguments.since, arguments.until) and arguments.since >= arguments.until:
        fail("--since is not before --until: there is no time between them; exchange them")
        return BAD_USAGE
    if arguments.export is not None:
        code: int = _export_module().export_trace(settings, arguments)
        return code
    try:
        with History(Path(settings.journal.path)) as history:
            events = history.all_events(
                arguments.collector, arguments.since, _names(arguments), arguments.until
            )
            if arguments.air and not arguments.csv:
                factors = {each.name: to_setpoints(each).air for each in settings.collectors}
                print_air(events, factors, as_json=arguments.json)
            elif arguments.csv:
                print_csv(events, units, sys.stdout)
            else:
                line = json_line if arguments.json else words_line
                for one in events:
                    print(line(one, fields_of(one, units)))
            if arguments.alarms and not arguments.csv:
                _print_metrics(history, arguments)
    except StoreRefused as refused:
        fail(str(refused))
        return FAILED
    return DONE


def _names(arguments: argparse.Namespace) -> Collection[str] | None:
    if arguments.alarms:
        return {AlarmChanged.name}
    if arguments.log:
        return LOG_BOOK
    if arguments.life:
        return {FilterLifeChanged.name}
    if arguments.air:
        return {AirUsed.name}
    kinds: list[str] | None = arguments.kind
    return kinds


def _print_metrics(history: History, arguments: argparse.Namespace) -> None:
    """Of the time asked for; how the alarms stood at its beginning is seen in what was before."""
    from dustcake.publish.alarm_metrics import metrics

    first_s, last_s = history.span(arguments.collector)
    if first_s is None or last_s is None:
        return
    from_s = first_s if arguments.since is None else max(first_s, arguments.since)
    to_s = max(last_s, time.time()) if arguments.until is None else arguments.until
    changes = changes_in(history.all_events(arguments.collector, None, {AlarmChanged.name}))
    found = metrics(changes, from_s, max(from_s, to_s))
    if arguments.json:
        print(metrics_json(found))
    else:
        print("\n".join(metrics_words(found)))
