"""`dustcake history`: what happened, out of the journal."""

import argparse
import json
import time
from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dustcake.adapters.store import History, RecordedEvent, StoreRefused
from dustcake.cli.common import (
    BAD_USAGE,
    DONE,
    FAILED,
    add_settings,
    fail,
    seconds_in,
    settings_or_none,
)
from dustcake.core.events import AlarmChanged
from dustcake.publish.alarm_texts import ALARM_TEXTS
from dustcake.publish.payloads import event_fields, utc_text
from dustcake.units import PressureUnit

_EPILOG = """\
examples:
  dustcake history --settings /etc/dustcake/dustcake.toml --since 2d
  dustcake history --alarms --json | jq .alarm

Reads the journal while the daemon runs, or without it, and changes nothing. Times are UTC. An
event from before the clock was set shows the time found out later, marked ~, or else the start of
the daemon and the seconds of the monotonic clock. Exit code 0: told; 2: bad settings or usage; 1:
the journal cannot be read.
"""


def add(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command `history`."""
    parser = subparsers.add_parser(
        "history",
        help="what happened, from the journal",
        description="List the events in the journal, oldest first.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_settings(parser, optional=True)
    parser.add_argument(
        "--since",
        type=since,
        metavar="TIME",
        help="from then on: so long ago (90min, 12h, 2d), or ISO 8601 (UTC unless it says another"
        " zone)",
    )
    parser.add_argument("--collector", metavar="NAME", help="of this collector only")
    parser.add_argument("--alarms", action="store_true", help="changes of alarms only")
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")
    parser.set_defaults(func=_history)


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


def _history(arguments: argparse.Namespace) -> int:
    settings = settings_or_none(arguments.settings)
    if settings is None:
        return BAD_USAGE
    units = {collector.name: collector.shown_in for collector in settings.collectors}
    if arguments.collector is not None and arguments.collector not in units:
        fail(f"there is no collector {arguments.collector!r}: name one of {', '.join(units)}")
        return BAD_USAGE
    names: Collection[str] | None = {AlarmChanged.name} if arguments.alarms else None
    try:
        with History(Path(settings.journal.path)) as history:
            _print(
                history.all_events(arguments.collector, arguments.since, names),
                units,
                as_json=arguments.json,
            )
    except StoreRefused as refused:
        fail(str(refused))
        return FAILED
    return DONE


def _print(
    events: Iterable[RecordedEvent], units: Mapping[str, PressureUnit], *, as_json: bool
) -> None:
    for one in events:
        # A collector that is no longer in the settings has no unit of its own there.
        fields = _fields(one, units.get(one.collector, PressureUnit.PA))
        print(_json(one, fields) if as_json else _words(one, fields))


def _fields(one: RecordedEvent, unit: PressureUnit) -> dict[str, Any]:
    event = one.event()
    return {"event": one.name, **one.fields} if event is None else event_fields(event, unit)


def _json(one: RecordedEvent, fields: Mapping[str, Any]) -> str:
    head = {
        "collector": one.collector,
        "seq": one.seq,
        "utc": utc_text(one.utc_s),
        "found_utc": utc_text(one.found_utc_s),
        "start": one.start,
        "mono_s": round(one.mono_s, 3),
    }
    return json.dumps({**head, **fields}, ensure_ascii=False)


def _words(one: RecordedEvent, fields: Mapping[str, Any]) -> str:
    if one.utc_s is not None:
        at = f"{utc_text(one.utc_s)} "
    elif one.found_utc_s is not None:
        at = f"{utc_text(one.found_utc_s)}~"
    else:
        at = f"start {one.start}, {one.mono_s:.1f} s".ljust(25)
    told = dict(fields)
    name = str(told.pop("event")).replace("_", " ")
    alarm = next((a for a in ALARM_TEXTS if a.value == told.get("alarm")), None)
    if alarm is not None:
        told["alarm"] = ALARM_TEXTS[alarm].title
    reason = told.pop("reason", None)
    parts = [
        f"{key.replace('_', ' ')} {_value(value)}"
        for key, value in told.items()
        if not key.endswith(("reason_code", "reason_codes")) and value not in (None, "", [])
    ]
    if reason:
        parts.append(str(reason))
    return f"{at}  {one.collector}  {one.seq:>6}  {name:18}  {'; '.join(parts)}".rstrip()


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)
