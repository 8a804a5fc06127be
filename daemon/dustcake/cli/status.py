"""`dustcake status`: what the running daemon reads, does and waits for."""

import argparse
import json
import os
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any

from dustcake.cli.common import (
    DONE,
    CommandError,
    add_settings,
    ask_daemon,
    between,
    settings_in,
)
from dustcake.publish.payloads import by_request_words, point_words

if TYPE_CHECKING:
    from dustcake.settings.model import Settings

DESCRIPTION = "Ask the running daemon what it reads, what it does, and why."
EPILOG = """\
examples:
  dustcake status --settings /etc/dustcake/dustcake.toml
  dustcake status --watch            until Ctrl-C, anew every second

Exit code 0: shown; 2: bad settings; 3: no daemon answers.
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake status`."""
    add_settings(parser, optional=True)
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="print one JSON object a collector")
    how.add_argument(
        "--watch",
        nargs="?",
        type=between(0.2, 3600.0, "a number of seconds", inclusive=True),
        const=1.0,
        metavar="SECONDS",
        help="keep the screen up to date, every so many seconds (1 unless given)",
    )


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    status = partial(_status, settings_in(arguments.settings), as_json=arguments.json)
    first = status()
    if arguments.watch is None:
        print("\n".join(first))
    else:
        _watch(_Screen(status, first).lines, arguments.watch)
    return DONE


def _status(settings: "Settings", *, as_json: bool) -> list[str]:
    """One answer of the daemon as lines. Raises CommandError."""
    collectors = ask_daemon(settings, {"status": True})["collectors"]
    if as_json:
        return [
            json.dumps({"collector": name, **content}, ensure_ascii=False)
            for name, content in collectors.items()
        ]
    return [line for name, content in collectors.items() for line in _words(name, content)]


class _Screen:
    """The newest answer, or the last one with how long nobody has answered since."""

    def __init__(self, status: Callable[[], list[str]], first: list[str]) -> None:
        self._status = status
        self._last = first
        self._last_s = time.monotonic()

    def lines(self) -> list[str]:
        """The screen."""
        now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        try:
            self._last, self._last_s = self._status(), time.monotonic()
        except CommandError:
            ago_s = time.monotonic() - self._last_s
            old = f"NO ANSWER FOR {ago_s:.0f} S: what is below is old. Is the daemon running?"
            return [now, old, "", *self._last]
        return [f"{now}   Ctrl-C ends this", "", *self._last]


def _words(name: str, content: dict[str, Any]) -> list[str]:
    dp, points = content["dp"], content["set_points"]
    lines = [
        f"{name}: dP {_value(dp)}, {dp['quality'].replace('_', ' ')}",
        *[f"  reading: {reason}" for reason in dp["reasons"]],
        f"  set points: low {points['low']['display']}, high {points['high']['display']}, "
        f"filter replacement {points['replacement']['display']}",
        *_by_request(content),
        f"  mode {content['mode'].replace('_', ' ')}: {content['phase']}, {content['reason']}",
    ]
    if content["header"] is not None:
        lines.append(f"  header {_value(content['header'])}")
    pulses = ", ".join(f"{v['valve']}: {v['pulses']}" for v in content["valves"])
    last = content["last_valve"] or "none yet"
    lines.append(f"  pulses by valve {pulses}; last valve {last}")
    lines.append(f"  filter life: {content['filter_life']['words']}")
    lines += _air(content["air"])
    lines += [
        f"  missing: {p['name'].replace('_', ' ')}, {p['reason']}"
        for p in content["permissives"]
        if p["met"] == "no"
    ]
    lines += _alarms(content)
    lines += [
        f"  upkeep due: {each['upkeep'].replace('_', ' ')}: {each['text']}"
        for each in content["upkeep"]
        if each["due"]
    ]
    if not content["clock_set"]:
        lines.append("  clock not set: records carry no time of day until it is; control goes on")
    return lines + _links(content)


def _alarms(content: dict[str, Any]) -> list[str]:
    lines = []
    hidden = {each["alarm"] for each in content["alarms_out_of_view"]}
    for alarm in content["alarm_details"]:
        state = alarm["state"].replace("_", " ")
        if alarm["alarm"] not in hidden:
            lines.append(f"  ALARM {alarm['title']} ({alarm['priority']}, {state})")
            lines.append(f"    {alarm['reason']}. {alarm['action']}")
        elif alarm["active"] or alarm["by"]:
            lines.append(f"  {state}: {alarm['title']}: {_hidden(alarm)}")
    return lines


def _links(content: dict[str, Any]) -> list[str]:
    """The brokers that are not connected."""
    lines = []
    for link in ("broker", "sparkplug"):
        broker = content[link]
        if broker is not None and not broker["connected"]:
            cause = broker["cause"] or "connecting"
            lines.append(f"  {link} not connected: {cause}. {broker['remedy'] or ''}".rstrip())
    return lines


def _by_request(content: dict[str, Any]) -> list[str]:
    """Set points that are not as in the settings file, and a change that waits."""
    lines = [f"  {by_request_words(each)}" for each in content["set_points_by_request"]]
    held = content["change_held"]
    if held is not None:
        changes = ", ".join(map(point_words, held["points"]))
        lines.append(f"  change {held['change']} waits for {held['by']} to confirm it: {changes}")
    return lines


def _hidden(alarm: dict[str, Any]) -> str:
    """Why an alarm is out of view, and whether what it watches holds."""
    who = f" by {alarm['by']}: {alarm['why']}" if alarm["by"] else ""
    until = f", until {alarm['shelved_until']}" if alarm["shelved_until"] else ""
    return f"{alarm['reason']}{who}{until}{'; it is active' if alarm['active'] else ''}"


def _air(air: dict[str, Any] | None) -> list[str]:
    if air is None:
        return ["  air: not known, as the sequencer board reports no pulses"]
    day, total = air["day"], air["total"]
    how = f"{total['measured']} pulses measured at the header, {total['rated']} as rated"
    per_hour = air["per_blower_hour"]["value"]
    hourly = "" if per_hour is None else f", {per_hour:.3g} m3 a blower hour"
    free, energy, cost = (day[name] for name in ("free_air", "energy", "cost"))
    return [
        f"  air on {air['day_utc'] or 'this day'}: {free['value']:.3g} m3, "
        f"{energy['value']:.3g} kWh, {cost['value']:.2f} {cost['unit']}",
        f"  air in all: {total['free_air']['value']:.4g} m3{hourly} (free air at "
        f"{air['reference']}; {how})",
    ]


def _value(measured: dict[str, Any]) -> str:
    """As people read it, and in pascals where that is something else."""
    if measured["value"] is None:
        return "no value"
    shown, pascals = measured["display"], f"{measured['value']:.0f} Pa"
    return pascals if shown == pascals else f"{shown} ({pascals})"


# --- the screen of --watch

_ENTER = "\x1b[?1049h\x1b[?25l"  # the terminal's other screen, without a cursor
_LEAVE = "\x1b[?25h\x1b[?1049l"
_HOME, _TO_END_OF_LINE, _TO_END_OF_SCREEN = "\x1b[H", "\x1b[K", "\x1b[J"


def _watch(lines: Callable[[], list[str]], every_s: float) -> None:
    """Draw ``lines()`` every ``every_s`` seconds. Returns when the person presses Ctrl-C.

    Where the output is no terminal each screen is printed below the last, an empty line between.
    """
    with _terminal() if sys.stdout.isatty() else nullcontext(_print_below) as draw:
        try:
            while True:
                draw(lines())
                time.sleep(every_s)
        except KeyboardInterrupt:
            return


@contextmanager
def _terminal() -> Iterator[Callable[[list[str]], None]]:
    sys.stdout.write(_ENTER)
    try:
        yield _draw
    finally:
        sys.stdout.write(_LEAVE)
        sys.stdout.flush()


def _draw(lines: list[str]) -> None:
    size = os.get_terminal_size(sys.stdout.fileno())  # as it is now, whatever the environment says
    shown = [part for line in lines for part in _wrapped(line, size.columns)]
    if len(shown) > size.lines:
        shown = [
            *shown[: size.lines - 1],
            "... (more below: make the window taller)"[: size.columns],
        ]
    text = "\n".join(line + _TO_END_OF_LINE for line in shown)
    sys.stdout.write(_HOME + text + _TO_END_OF_SCREEN)
    sys.stdout.flush()


def _wrapped(line: str, columns: int) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, max(columns, 20), subsequent_indent=indent) or [""]


def _print_below(lines: list[str]) -> None:
    print("\n".join(lines), end="\n\n", flush=True)
