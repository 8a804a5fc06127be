"""`dustcake status`: what the running daemon reads, does and waits for."""

import argparse
import json
from pathlib import Path
from typing import Any

from dustcake.adapters.local_socket import NoDaemonError, ask
from dustcake.cli.common import (
    BAD_USAGE,
    DONE,
    UNREACHED,
    add_settings,
    fail,
    settings_or_none,
)

_EPILOG = """\
example:
  dustcake status --settings /etc/dustcake/dustcake.toml

Exit code 0: told; 2: bad settings; 3: no daemon answers.
"""


def add(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command `status`."""
    parser = subparsers.add_parser(
        "status",
        help="what the running daemon reads and does, and why",
        description="Ask the running daemon what it reads, what it does, and why.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_settings(parser, optional=True)
    parser.add_argument("--json", action="store_true", help="print one JSON object a collector")
    parser.set_defaults(func=_status)


def _status(arguments: argparse.Namespace) -> int:
    settings = settings_or_none(arguments.settings)
    if settings is None:
        return BAD_USAGE
    try:
        answer = json.loads(ask(Path(settings.control.socket), b'{"status": true}'))
    except NoDaemonError as error:
        fail(str(error))
        return UNREACHED
    for name, content in answer["collectors"].items():
        if arguments.json:
            print(json.dumps({"collector": name, **content}, ensure_ascii=False))
        else:
            print("\n".join(_words(name, content)))
    return DONE


def _words(name: str, content: dict[str, Any]) -> list[str]:
    dp, points = content["dp"], content["set_points"]
    lines = [
        f"{name}: dP {_value(dp)}, {dp['quality'].replace('_', ' ')}",
        *[f"  reading: {reason}" for reason in dp["reasons"]],
        f"  set points: low {points['low']['display']}, high {points['high']['display']}, "
        f"filter replacement {points['replacement']['display']}",
        f"  mode {content['mode'].replace('_', ' ')}: {content['phase']}, {content['reason']}",
    ]
    if content["header"] is not None:
        lines.append(f"  header {_value(content['header'])}")
    pulses = ", ".join(f"{v['valve']}: {v['pulses']}" for v in content["valves"])
    last = content["last_valve"] or "none yet"
    lines.append(f"  pulses by valve {pulses}; last valve {last}")
    lines += [
        f"  missing: {p['name'].replace('_', ' ')}, {p['reason']}"
        for p in content["permissives"]
        if p["met"] == "no"
    ]
    for alarm in content["alarm_details"]:
        lines.append(f"  ALARM {alarm['title']} ({alarm['priority']}, {alarm['state']})")
        lines.append(f"    {alarm['reason']}. {alarm['action']}")
    if not content["clock_set"]:
        lines.append("  clock not set: records carry no time of day until it is; control goes on")
    broker = content["broker"]
    if broker is not None and not broker["connected"]:
        cause = broker["cause"] or "connecting"
        lines.append(f"  broker not connected: {cause}. {broker['remedy'] or ''}".rstrip())
    return lines


def _value(measured: dict[str, Any]) -> str:
    """As people read it, and in pascals where that is something else."""
    if measured["value"] is None:
        return "no value"
    shown, pascals = measured["display"], f"{measured['value']:.0f} Pa"
    return pascals if shown == pascals else f"{shown} ({pascals})"
