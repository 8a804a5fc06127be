"""Ask the running daemon what it reads, what it does, and why.

examples:
  dustcake status --settings /etc/dustcake/dustcake.toml
  dustcake status --watch            until Ctrl-C, anew every second

Exit code 0: shown; 2: bad settings; 3: no daemon answers.
"""

import argparse
import json
import os
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any

from dustcake.cli.common import CommandError, add_settings, ask_daemon, between, settings_in
from dustcake.publish.payloads import by_request_words, point_words
from dustcake.publish.wording import spoken

if TYPE_CHECKING:
    from dustcake.settings.model import Settings


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


def run(arguments: argparse.Namespace) -> None:
    """Carry it out."""
    status = partial(_status, settings_in(arguments.settings), as_json=arguments.json)
    first = status()
    if arguments.watch is None:
        print("\n".join(first))
    else:
        _watch(status, first, arguments.watch)


def _status(settings: "Settings", *, as_json: bool) -> list[str]:
    """One answer of the daemon as lines. Raises CommandError."""
    collectors = ask_daemon(settings, {"status": True})["collectors"]
    if as_json:
        return [
            json.dumps({"collector": name, **content}, ensure_ascii=False)
            for name, content in collectors.items()
        ]
    return [line for name, content in collectors.items() for line in _words(name, content)]


def _words(name: str, content: dict[str, Any]) -> Iterator[str]:
    dp, points = content["dp"], content["set_points"]
    yield f"{name}: dP {_value(dp)}, {spoken(dp['quality'])}"
    for reason in dp["reasons"]:
        yield f"  reading: {reason}"
    yield (
        f"  set points: low {points['low']['display']}, high {points['high']['display']}, "
        f"filter replacement {points['replacement']['display']}"
    )
    yield from _by_request(content)
    yield f"  mode {spoken(content['mode'])}: {content['phase']}, {content['reason']}"
    if content["header"] is not None:
        yield f"  header {_value(content['header'])}"
    pulses = ", ".join(f"{v['valve']}: {v['pulses']}" for v in content["valves"])
    yield f"  pulses by valve {pulses}; last valve {content['last_valve'] or 'none yet'}"
    yield f"  filter life: {content['filter_life']['words']}"
    yield from _air(content["air"])
    yield from _wants_attention(content)
    yield from _links(content)


def _wants_attention(content: dict[str, Any]) -> Iterator[str]:
    for permissive in content["permissives"]:
        if permissive["met"] == "no":
            yield f"  missing: {spoken(permissive['name'])}, {permissive['reason']}"
    yield from _alarms(content)
    for upkeep in content["upkeep"]:
        if upkeep["due"]:
            yield f"  upkeep due: {spoken(upkeep['upkeep'])}: {upkeep['text']}"
    if not content["clock_set"]:
        yield "  clock not set: records carry no time of day until it is; control goes on"


def _links(content: dict[str, Any]) -> Iterator[str]:
    for name in ("broker", "sparkplug"):
        link = content[name]
        if link is not None and not link["connected"]:
            cause = link["cause"] or "connecting"
            yield f"  {name} not connected: {cause}. {link['remedy'] or ''}".rstrip()


def _by_request(content: dict[str, Any]) -> Iterator[str]:
    """Set points that are not as in the settings file, and a change that waits."""
    for each in content["set_points_by_request"]:
        yield f"  {by_request_words(each)}"
    held = content["change_held"]
    if held is not None:
        changes = ", ".join(map(point_words, held["points"]))
        yield f"  change {held['change']} waits for {held['by']} to confirm it: {changes}"


def _alarms(content: dict[str, Any]) -> Iterator[str]:
    hidden = {each["alarm"] for each in content["alarms_out_of_view"]}
    for alarm in content["alarm_details"]:
        state = spoken(alarm["state"])
        if alarm["alarm"] not in hidden:
            yield f"  ALARM {alarm['title']} ({alarm['priority']}, {state})"
            yield f"    {alarm['reason']}. {alarm['action']}"
        elif alarm["active"] or alarm["by"]:
            yield f"  {state}: {alarm['title']}: {alarm['reason']}{_kept_back(alarm)}"


def _kept_back(alarm: dict[str, Any]) -> str:
    who = f" by {alarm['by']}: {alarm['why']}" if alarm["by"] else ""
    until = f", until {alarm['shelved_until']}" if alarm["shelved_until"] else ""
    return f"{who}{until}{'; it is active' if alarm['active'] else ''}"


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
    """The value as people read it, and in pascals where that is something else."""
    if measured["value"] is None:
        return "no value"
    shown, pascals = measured["display"], f"{measured['value']:.0f} Pa"
    return pascals if shown == pascals else f"{shown} ({pascals})"


# --- the screen of --watch

_ENTER = "\x1b[?1049h\x1b[?25l"  # the terminal's other screen, without a cursor
_LEAVE = "\x1b[?25h\x1b[?1049l"
_HOME, _TO_END_OF_LINE, _TO_END_OF_SCREEN = "\x1b[H", "\x1b[K", "\x1b[J"


def _watch(status: Callable[[], list[str]], last: list[str], every_s: float) -> None:
    """Draw ``status()`` every ``every_s`` seconds, or ``last``, what it was before, and how long
    nobody has answered since. Returns when the person presses Ctrl-C.

    Where the output is no terminal each screen is printed below the last, an empty line between.
    """
    last_s = time.monotonic()
    terminal = _terminal() if sys.stdout.isatty() else nullcontext(_print_below)
    with terminal as draw, suppress(KeyboardInterrupt):
        while True:
            now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
            try:
                last, last_s = status(), time.monotonic()
                head = [f"{now}   Ctrl-C ends this"]
            except CommandError:
                ago_s = time.monotonic() - last_s
                old = f"NO ANSWER FOR {ago_s:.0f} S: what is below is old. Is the daemon running?"
                head = [now, old]
            draw([*head, "", *last])
            time.sleep(every_s)


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
        more = "... (more below: make the window taller)"[: size.columns]
        shown = [*shown[: size.lines - 1], more]
    text = "\n".join(line + _TO_END_OF_LINE for line in shown)
    sys.stdout.write(_HOME + text + _TO_END_OF_SCREEN)
    sys.stdout.flush()


def _wrapped(line: str, columns: int) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, max(columns, 20), subsequent_indent=indent) or [""]


def _print_below(lines: list[str]) -> None:
    print("\n".join(lines), end="\n\n", flush=True)
