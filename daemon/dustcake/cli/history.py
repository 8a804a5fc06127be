"""List the events in the journal, oldest first.

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
metrics (`"event": "alarm_metrics"`). Exit code 0: shown; 2: bad settings or usage; 1: the journal
cannot be read.
"""

import argparse
import csv
import json
import sys
import time
from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from operator import attrgetter
from pathlib import Path
from types import ModuleType
from typing import IO, TYPE_CHECKING, Any, cast

from dustcake.cli.common import (
    CommandError,
    UsageError,
    add_settings,
    chosen_collector,
    fail,
    lab_module,
    seconds_in,
    settings_in,
)
from dustcake.core import events
from dustcake.core.setpoints import Air
from dustcake.publish.alarm_metrics import Change, metrics, metrics_content, metrics_words
from dustcake.publish.event_sentences import Display
from dustcake.publish.life_and_air import energy_kwh
from dustcake.publish.payloads import event_fields, utc_text
from dustcake.units import PressureUnit

if TYPE_CHECKING:
    from dustcake.adapters.store import History, RecordedEvent
    from dustcake.settings.model import Settings

# What may be asked for alone: its option, what that says of itself, and its events.
_ONLY = {
    "alarms": ("changes of alarms only, and their metrics", ("alarm",)),
    "log": (
        "the log book only: filter changes, zeros, entries, set points, modes, upkeep, starts",
        events.LOG_BOOK,
    ),
    "life": ("forecasts of filter life only", ("filter_life",)),
    "air": ("compressed air by day (UTC), with energy and money", ("air_used",)),
}


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake history`."""
    add_settings(parser, optional=True)
    parser.add_argument(
        "--since",
        type=_utc_s,
        metavar="TIME",
        help="from then on: so long ago (90min, 12h, 1d12h), or ISO 8601 (UTC unless it says "
        "another zone)",
    )
    parser.add_argument("--until", type=_utc_s, metavar="TIME", help="up to then; as --since")
    parser.add_argument("--collector", metavar="NAME", help="of this collector only")
    only = parser.add_mutually_exclusive_group()
    for option, (about, _) in _ONLY.items():
        only.add_argument(
            f"--{option}", action="store_const", dest="only", const=option, help=about
        )
    only.add_argument(
        "--kind",
        action="append",
        choices=sorted(events.EVENTS),
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
    except UsageError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _export_module() -> ModuleType:
    return lab_module("dustcake_lab.commands.history_export", "--export")


def _utc_s(text: str) -> float:
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


def run(arguments: argparse.Namespace) -> None:
    """Carry it out."""
    settings = settings_in(arguments.settings)
    if arguments.collector is not None:
        chosen_collector(settings, arguments.collector)
    if None not in (arguments.since, arguments.until) and arguments.since >= arguments.until:
        raise UsageError(
            "--since is not before --until: there is no time between them; exchange them"
        )
    if arguments.export is not None:
        _export_module().export_trace(settings, arguments)
        return
    from dustcake.adapters.store import History, StoreRefused

    try:
        with History(Path(settings.journal.path)) as history:
            _print_events(history, settings, arguments)
            if arguments.only == "alarms" and not arguments.csv:
                _print_metrics(history, arguments)
    except StoreRefused as refused:
        raise CommandError(str(refused)) from None


def _print_events(history: "History", settings: "Settings", arguments: argparse.Namespace) -> None:
    names: Collection[str] | None = arguments.kind
    if arguments.only is not None:
        names = _ONLY[arguments.only][1]
    found = history.all_events(arguments.collector, arguments.since, names, arguments.until)
    units = {collector.name: collector.shown_in for collector in settings.collectors}
    if arguments.csv:
        print_csv(found, units, sys.stdout)
        return
    line = _json_line if arguments.json else _words_line
    lines: Iterable[str] = (line(one, _unit(one, units)) for one in found)
    if arguments.only == "air":
        lines = _air_lines(found, settings, as_json=arguments.json)
    printed = False
    for text in lines:
        print(text)
        printed = True
    if not printed and not arguments.json:
        when = "yet" if (arguments.since, arguments.until) == (None, None) else "in that time"
        fail(_NOTHING.get(arguments.only, "nothing of it on record {when}").format(when=when))


_NOTHING = {
    "air": "no compressed air on record {when}: it is put on record once an hour",
    "life": "no forecast of filter life on record {when}: the first needs a dozen cleanings, an "
    "hour of running and more apart; `dustcake status` shows how far it is",
}
"""Why nothing is printed, where more can be said than that there is nothing."""


def _print_metrics(history: "History", arguments: argparse.Namespace) -> None:
    """Alarm metrics of the time wanted; what came before says how it began."""
    first_s, last_s = history.span(arguments.collector)
    if first_s is None or last_s is None:
        return
    from_s = first_s if arguments.since is None else max(first_s, arguments.since)
    to_s = max(last_s, time.time()) if arguments.until is None else arguments.until
    changed = history.all_events(arguments.collector, None, {events.AlarmChanged.name})
    # A clock that was set back has left them out of order.
    changes = sorted(_alarm_changes(changed), key=attrgetter("at_s"))
    found = metrics(changes, from_s, max(from_s, to_s))
    print(json.dumps(metrics_content(found)) if arguments.json else "\n".join(metrics_words(found)))


def _alarm_changes(found: Iterable["RecordedEvent"]) -> Iterator[Change]:
    for one in found:
        if one.at_utc_s is not None:
            named = (str(one.fields.get(name)) for name in ("alarm", "state", "priority"))
            yield Change(one.at_utc_s, one.collector, *named)


# --- events as lines in words, as JSON, or as a table

_CSV_COLUMNS = ("utc", "collector", "seq", "event", "by", "what")
# What a spreadsheet would take for a formula, were somebody to write it in a note.
_FORMULA = ("=", "+", "-", "@")


def _json_line(one: "RecordedEvent", unit: PressureUnit) -> str:
    """One JSON object: the fields, with reasons in words."""
    event = one.event()
    head = {
        "collector": one.collector,
        "seq": one.seq,
        "utc": utc_text(one.utc_s),
        "found_utc": utc_text(one.found_utc_s),
        "start": one.start,
        "mono_s": round(one.mono_s, 3),
    }
    fields = {"event": one.name, **one.fields} if event is None else event_fields(event, unit)
    return json.dumps({**head, **fields}, ensure_ascii=False)


def _words_line(one: "RecordedEvent", unit: PressureUnit) -> str:
    """One line for people."""
    return f"{_at(one):25}  {one.collector}  {one.seq:>6}  {one.sentence(Display(unit, UTC))}"


def print_csv(
    found: Iterable["RecordedEvent"], units: Mapping[str, PressureUnit], out: IO[str]
) -> None:
    """A table for spreadsheets: RFC 4180, a line of column names first."""
    writer = csv.writer(out)
    writer.writerow(_CSV_COLUMNS)
    for one in found:
        by, what = str(one.fields.get("by") or ""), one.sentence(Display(_unit(one, units), UTC))
        cells = (_at(one), one.collector, one.seq, one.name, by, what)
        writer.writerow([_plain(cell) for cell in cells])


def _plain(cell: object) -> object:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell


def _unit(one: "RecordedEvent", units: Mapping[str, PressureUnit]) -> PressureUnit:
    """A collector no longer in the settings has no unit of its own there."""
    return units.get(one.collector, PressureUnit.PA)


def _at(one: "RecordedEvent") -> str:
    if one.utc_s is None and one.found_utc_s is None:
        return f"start {one.start}, {one.mono_s:.1f} s"
    return utc_text(one.utc_s) or f"{utc_text(one.found_utc_s)}~"


# --- compressed air by day, out of the hourly accounts in the journal


def _air_lines(
    found: Iterable["RecordedEvent"], settings: "Settings", *, as_json: bool
) -> Iterator[str]:
    from dustcake.settings.setpoints import to_setpoints

    factors = {each.name: to_setpoints(each).air for each in settings.collectors}
    yield from map(_air_json if as_json else _air_words, _air_by_day(found, factors))


_AMOUNTS = attrgetter("free_m3", "mass_kg", "measured", "rated", "blower_run_s")


def _air_by_day(
    found: Iterable["RecordedEvent"], factors: Mapping[str, Air]
) -> Iterator[dict[str, Any]]:
    """Sums of the accounts of each collector and UTC day, in order, at the ``factors`` of the
    settings as they are now; the date is None for accounts whose time of day was never found."""
    days: dict[tuple[str, str | None], list[events.AirUsed]] = {}
    for one in found:
        event = one.event()
        if event is None or not isinstance(event.body, events.AirUsed):
            continue
        used = event.body
        at_s = one.at_utc_s if used.from_utc_s is None else used.from_utc_s
        date = None if at_s is None else datetime.fromtimestamp(at_s, UTC).date().isoformat()
        days.setdefault((one.collector, date), []).append(used)
    for (collector, date), accounts in days.items():
        factor = factors.get(collector, Air())
        columns = zip(*map(_AMOUNTS, accounts), strict=True)
        free_m3, mass_kg, measured, rated, run_s = map(sum, columns)
        blower_h = run_s / 3600.0
        kwh = energy_kwh(free_m3, factor)
        yield {
            "collector": collector,
            "date": date,
            "free_air_m3": free_m3,
            "mass_kg": mass_kg,
            "pulses_measured": measured,
            "pulses_rated": rated,
            "blower_h": round(blower_h, 3),
            "free_air_m3_per_blower_h": free_m3 / blower_h if blower_h > 0.0 else None,
            "energy_kwh": kwh,
            "cost": kwh * factor.price_per_kwh,
            "currency": factor.currency,
        }


def _air_json(day: dict[str, Any]) -> str:
    """One of ``_air_by_day`` as a JSON object."""
    rounded = {name: round(v, 4) if isinstance(v, float) else v for name, v in day.items()}
    return json.dumps(rounded)


def _air_words(day: dict[str, Any]) -> str:
    """A day's air for people, as one line."""
    hourly_m3 = day["free_air_m3_per_blower_h"]
    rate = "" if hourly_m3 is None else f", {hourly_m3:.3g} m3 a blower hour"
    return (
        f"{day['date'] or 'no date':10}  {day['collector']}  {day['free_air_m3']:8.3f} m3 of free "
        f"air ({day['mass_kg']:.3f} kg){rate}; {day['energy_kwh']:.3g} kWh, {day['cost']:.2f} "
        f"{day['currency']}; {day['pulses_measured']} pulses measured, {day['pulses_rated']} as "
        "rated"
    )
