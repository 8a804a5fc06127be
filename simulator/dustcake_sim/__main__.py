"""The simulated collector as a process: `python -m dustcake_sim`."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import os
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from pydantic import BaseModel

from dustcake_sim.console import follow_console
from dustcake_sim.device import SerialLine, ServedScenario, serve_scenario
from dustcake_sim.modbus_serial import SerialError
from dustcake_sim.modbus_server import AbsentUnit
from dustcake_sim.register_map import UNIT, describe
from dustcake_sim.scenario import Scenario, ScenarioError, load_scenario, packaged_scenarios
from dustcake_sim.valve_log import ValveLog, valve_log

DONE, BAD_USAGE, NOT_REACHED = 0, 2, 3

_EXAMPLE = """\
example:
  python -m dustcake_sim welding_cell --port 5020 --speed 60
  then, from another terminal, read dP in Pa as a float:
  mbpoll -m tcp -p 5020 -a 1 -0 -r 2 -c 1 -t 3:float -B -1 127.0.0.1

speed:
  Dust loading, wear and the scenario's clock run SPEED times faster. What a controller times at
  the wire does not: valve on-times, header recharge, blower spin-down, the output watchdog.

exit codes:
  0  ended by SIGTERM or SIGINT
  2  bad scenario or usage
  3  a port could not be had, or the serial one was lost
"""


class _JsonLines(logging.Formatter):
    """One JSON object a line: the message as `event`, and what was logged with it."""

    _standard = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime"}

    def format(self, record: logging.LogRecord) -> str:
        extra = {key: value for key, value in vars(record).items() if key not in self._standard}
        return json.dumps({"event": record.getMessage(), **extra}, default=_plain)


class _TextLines(_JsonLines):
    """The same for people."""

    def format(self, record: logging.LogRecord) -> str:
        extra = {key: value for key, value in vars(record).items() if key not in self._standard}
        return " ".join(
            [record.getMessage(), *(f"{key}={_plain(value)}" for key, value in extra.items())]
        )


def _plain(value: object) -> object:
    return value.model_dump(mode="json") if isinstance(value, BaseModel) else value


def _number(low: float, high: float, kind: type[int] | type[float]) -> Callable[[str], float]:
    def parse(text: str) -> float:
        try:
            value = kind(text)
        except ValueError:
            value = high + 1
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text!r} is not usable: give {low} to {high}")
        return value

    return parse


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m dustcake_sim",
        description="Serve a simulated pulse-cleaned dust collector over Modbus TCP, and RTU.",
        epilog=_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    names = ", ".join(packaged_scenarios())
    parser.add_argument("scenario", metavar="SCENARIO", help=f"path of a TOML file, or {names}")
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (%(default)s)")
    parser.add_argument(
        "--port",
        type=_number(0, 65535, int),
        default=5020,
        help="TCP port, 0 for any free one (%(default)s)",
    )
    parser.add_argument(
        "--speed",
        type=_number(0.001, 10_000.0, float),
        default=1.0,
        help="how much faster than life the plant loads and wears (%(default)s)",
    )
    parser.add_argument("--seed", type=int, default=0, help="seed of the noise (%(default)s)")
    parser.add_argument(
        "--unit", type=_number(1, 247, int), default=UNIT, help="Modbus unit id (%(default)s)"
    )
    parser.add_argument(
        "--absent-unit",
        choices=[choice.value for choice in AbsentUnit],
        default=AbsentUnit.SILENCE.value,
        help="what a TCP request for another unit gets: silence, or a gateway's exception 0x0B"
        " (%(default)s)",
    )
    parser.add_argument("--serial", metavar="PORT", help="answer on this serial port or pty too")
    parser.add_argument(
        "--baud", type=_number(1200, 921_600, int), default=19_200, help="(%(default)s)"
    )
    parser.add_argument(
        "--parity",
        choices=["N", "E", "O"],
        default="E",
        help="a pty is sure to take N only (%(default)s)",
    )
    parser.add_argument(
        "--valve-log",
        type=Path,
        metavar="FILE",
        help="add a line of JSON to this file for each valve that gets or loses power",
    )
    parser.add_argument(
        "--hands",
        action="store_true",
        help="take what a person would do at the collector, typed as lines such as"
        " `damper opening=0.6`: an event of a scenario file",
    )
    parser.add_argument(
        "--map", action="store_true", help="print the register map and end (JSON with --log-json)"
    )
    parser.add_argument("--log-json", action="store_true", help="JSON, one object a line")
    return parser


def _write(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _print_map(scenario: Scenario, as_json: bool) -> None:
    for row in describe(scenario.plant.rows):
        if as_json:
            _write(json.dumps(row))
        else:
            first, last = row["first"], row["last"]
            span = f"{first}" if first == last else f"{first}-{last}"
            access = "read, write" if row["writable"] else "read"
            _write(f"{row['table']:18} {span:>7}  {row['name']:38} {row['form']}, {access}")


def _announce(sim: ServedScenario, as_json: bool) -> None:
    host, port = sim.server.host, sim.port
    if as_json:
        _write(json.dumps({"event": "listening", "host": host, "port": port}))
    else:
        _write(f"listening on {host}:{port}")


async def _serve(scenario: Scenario, args: argparse.Namespace, log: ValveLog | None) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    line = SerialLine(args.serial, args.baud, args.parity) if args.serial else None
    async with serve_scenario(
        scenario,
        args.host,
        args.port,
        speed=args.speed,
        seed=args.seed,
        unit=args.unit,
        absent_unit=AbsentUnit(args.absent_unit),
        serial_line=line,
        valve_log=log,
    ) as sim:
        _announce(sim, args.log_json)
        if sim.serial is not None:
            sim.serial.lost.add_done_callback(lambda _: stop.set())
        console = asyncio.create_task(follow_console(sim.force, _write)) if args.hands else None
        await stop.wait()
        if console is not None:
            console.cancel()
        if sim.serial is not None and sim.serial.lost.done():
            await sim.serial.lost  # raises what it was lost by


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; the exit code."""
    args = _parser().parse_args(argv)
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_JsonLines() if args.log_json else _TextLines())
    logging.basicConfig(level=logging.INFO, handlers=[handler])
    logging.getLogger("pymodbus").setLevel(logging.ERROR)
    try:
        scenario = load_scenario(args.scenario)
    except ScenarioError as error:
        sys.stderr.write(f"{error}\n")
        return BAD_USAGE
    try:
        if args.map:
            _print_map(scenario, args.log_json)
        else:
            with valve_log(args.valve_log) as log:
                asyncio.run(_serve(scenario, args, log))
    except BrokenPipeError:
        # Whoever read the output has had enough. Python would complain again when it flushes.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except SerialError as error:
        sys.stderr.write(f"{error}\n")
        return NOT_REACHED
    except OSError as error:
        if error.filename is not None:
            why = error.strerror or error
            sys.stderr.write(f"cannot write --valve-log {args.valve_log}: {why}\n")
            return BAD_USAGE
        sys.stderr.write(
            f"cannot listen on --host {args.host} --port {args.port}: {error.strerror or error};"
            " give another port, 0 for any free one, or end the process that has it\n"
        )
        return NOT_REACHED
    return DONE


if __name__ == "__main__":
    sys.exit(main())
