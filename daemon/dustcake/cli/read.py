"""`dustcake read`: what the transmitters say now, raw and scaled."""

import argparse
import asyncio
import json
from typing import Any

from dustcake.cli.common import (
    DONE,
    UNREACHED,
    add_settings,
    fail,
    settings_in,
)
from dustcake.core.inputs import ReadFailure, Registers, Signal
from dustcake.core.reading import interpret
from dustcake.core.setpoints import Scale
from dustcake.ports import FieldReading
from dustcake.publish.wording import sentence
from dustcake.settings.model import Collector, Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake.units import PressureUnit, show_with_pa

DESCRIPTION = "Read every transmitter and contact of a settings file once."
EPILOG = """\
example:
  dustcake read /etc/dustcake/dustcake.toml

Reads only; no output is touched. The zero that a running daemon may have taken is not applied.
Not for a serial line that a running daemon uses: two masters on one line garble each other; ask
the daemon with `dustcake status` instead. Exit code 0: everything read; 3: something was not.
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake read`."""
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    readings = asyncio.run(_read_all(settings_in(arguments.file)))
    complete = True
    for collector, reading in readings:
        points = _points(collector, reading)
        complete = complete and all(point["problem"] is None for point in points)
        for point in points:
            print(json.dumps(point, ensure_ascii=False) if arguments.json else _words(point))
    if not complete:
        fail("not everything could be read: check supply, wiring, bus settings, unit and address")
    return DONE if complete else UNREACHED


async def _read_all(settings: Settings) -> list[tuple[Collector, FieldReading]]:
    from dustcake.adapters.host import SystemClock
    from dustcake.adapters.modbus import FieldInputs, open_bus
    from dustcake.cli.logs import log_to_stderr

    # What was lost is shown for each point; as a log line it would stand between the readings.
    log_to_stderr("text", "error")
    buses = {bus.name: open_bus(bus, SystemClock()) for bus in settings.buses}
    try:
        return [
            (each, await FieldInputs(buses, each.transmitter, each.header, each.contacts).read())
            for each in settings.collectors
        ]
    finally:
        for bus in buses.values():
            await bus.aclose()


def _points(collector: Collector, reading: FieldReading) -> list[dict[str, Any]]:
    name, scales = collector.name, to_setpoints(collector)
    points = [_analog(name, "dp", reading.dp, scales.dp, collector.shown_in)]
    if scales.header is not None and reading.header is not None:
        points.append(_analog(name, "header", reading.header, scales.header, PressureUnit.BAR))
    for point, contact in collector.contacts:
        if contact is not None:
            state = getattr(reading.contacts, point)
            problem = "could not be read" if state is None else None
            points.append({"collector": name, "point": point, "state": state, "problem": problem})
    return points


def _analog(
    collector: str, name: str, signal: Signal, scale: Scale, unit: PressureUnit
) -> dict[str, Any]:
    pa, quality, reasons = interpret(signal, scale, 0.0)
    raw = list(signal.words) if isinstance(signal, Registers) else None
    problem = None
    if isinstance(signal, ReadFailure):
        problem = f"{signal.kind}: {signal.detail}"
    return {
        "collector": collector,
        "point": name,
        "raw": raw,
        "value_pa": pa,
        "display": None if pa is None else show_with_pa(pa, unit),
        "quality": quality.value,
        "reasons": [sentence(reason, unit) for reason in reasons],
        "problem": problem,
    }


def _words(point: dict[str, Any]) -> str:
    head = f"{point['collector']}  {point['point']:16}"
    if point["problem"] is not None:
        return f"{head} {point['problem']}"
    if "state" in point:
        return f"{head} {'yes' if point['state'] else 'no'}"
    words = " ".join(f"{word} (0x{word:04X})" for word in point["raw"])
    why = f": {'; '.join(point['reasons'])}" if point["reasons"] else ""
    quality = point["quality"].replace("_", " ")
    return f"{head} {point['display'] or 'no value':24} {quality}{why}\n{'':18}raw {words}"
