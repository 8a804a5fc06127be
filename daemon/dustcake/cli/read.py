"""Read every transmitter and contact of a settings file once.

example:
  dustcake read /etc/dustcake/dustcake.toml

Reads only; no output is touched. The zero that a running daemon may have taken is not applied.
Not for a serial line that a running daemon uses: two masters on one line garble each other; ask
the daemon with `dustcake status` instead. Exit code 0: everything read; 3: something was not.
"""

import argparse
import asyncio
import json
from collections.abc import Iterator
from typing import Any

from dustcake.cli.common import DONE, UNREACHED, add_settings, fail, settings_in
from dustcake.core.inputs import ReadFailure, Registers, Signal
from dustcake.core.reading import interpret
from dustcake.core.setpoints import Scale
from dustcake.ports import FieldReading
from dustcake.publish.wording import sentence, spoken
from dustcake.settings.model import Collector, Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake.units import PressureUnit, show_with_pa


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake read`."""
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    readings = asyncio.run(_read_all(settings_in(arguments.file)))
    points = [point for collector, reading in readings for point in _points(collector, reading)]
    for point in points:
        print(json.dumps(point, ensure_ascii=False) if arguments.json else _words(point))
    if all(point["problem"] is None for point in points):
        return DONE
    fail("not everything could be read: check supply, wiring, bus settings, unit and address")
    return UNREACHED


async def _read_all(settings: Settings) -> list[tuple[Collector, FieldReading]]:
    from dustcake.adapters.host import SystemClock
    from dustcake.adapters.modbus import Bus, FieldInputs
    from dustcake.cli.logs import log_to_stderr

    # What was lost is shown for each point; as a log line it would stand between the readings.
    log_to_stderr("text", "error")
    buses = {bus.name: Bus(bus, SystemClock()) for bus in settings.buses}
    try:
        return [
            (each, await FieldInputs(buses, each.transmitter, each.header, each.contacts).read())
            for each in settings.collectors
        ]
    finally:
        for bus in buses.values():
            await bus.aclose()


def _points(collector: Collector, reading: FieldReading) -> Iterator[dict[str, Any]]:
    name, scales = collector.name, to_setpoints(collector)
    yield _analog(name, "dp", reading.dp, scales.dp, collector.shown_in)
    if scales.header is not None and reading.header is not None:
        yield _analog(name, "header", reading.header, scales.header, PressureUnit.BAR)
    for point, contact in collector.contacts:
        if contact is not None:
            state = getattr(reading.contacts, point)
            problem = "could not be read" if state is None else None
            yield {"collector": name, "point": point, "state": state, "problem": problem}


def _analog(
    collector: str, name: str, signal: Signal, scale: Scale, unit: PressureUnit
) -> dict[str, Any]:
    pa, quality, reasons = interpret(signal, scale, 0.0)
    return {
        "collector": collector,
        "point": name,
        "raw": list(signal.words) if isinstance(signal, Registers) else None,
        "value_pa": pa,
        "display": None if pa is None else show_with_pa(pa, unit),
        "quality": quality.value,
        "reasons": [sentence(reason, unit) for reason in reasons],
        "problem": f"{signal.kind}: {signal.detail}" if isinstance(signal, ReadFailure) else None,
    }


def _words(point: dict[str, Any]) -> str:
    head = f"{point['collector']}  {point['point']:16}"
    if point["problem"] is not None:
        return f"{head} {point['problem']}"
    if "state" in point:
        return f"{head} {'yes' if point['state'] else 'no'}"
    words = " ".join(f"{word} (0x{word:04X})" for word in point["raw"])
    why = f": {'; '.join(point['reasons'])}" if point["reasons"] else ""
    quality = spoken(point["quality"])
    return f"{head} {point['display'] or 'no value':24} {quality}{why}\n{'':18}raw {words}"
