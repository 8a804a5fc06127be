"""What `dustcake study` does: one collector with its report, or the list of a fleet."""

import argparse
import csv
import json
from collections.abc import Callable, Collection
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from dustcake.adapters.store import StoreRefused
from dustcake.cli.common import DONE, UsageError, chosen_collector, fail, settings_in
from dustcake.core.events import Event
from dustcake.core.setpoints import Setpoints
from dustcake.settings.model import Collector, Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake_lab.commands.common import AIR_L, FLOW_M3S, study_progress
from dustcake_lab.fit.collector import FittedCollector
from dustcake_lab.fit.data import TooThinError, UnknownZoneError, zone_named
from dustcake_lab.fit.trace import FittedTrace, fit_trace
from dustcake_lab.replay.replay import Replay
from dustcake_lab.report.data import report_data
from dustcake_lab.report.render import write_html, write_png
from dustcake_lab.study.candidates import Prices
from dustcake_lab.study.fleet import FleetResult, Member, fleet, fleet_json, fleet_lines
from dustcake_lab.study.jobs import Plan, StudyError, require_cluster
from dustcake_lab.study.recommendation import recommended
from dustcake_lab.study.results import (
    MOST_LISTED,
    Order,
    as_json,
    table,
    table_json,
    table_lines,
)
from dustcake_lab.study.study import Study, search, study
from dustcake_lab.traces.columns import TraceError
from dustcake_lab.traces.files import UnwritableError, atomic_write, open_any, require_writable

_FLEET_COLUMNS = ("trace", "settings", "collector", "flow_m3s", "air_l")
_NOT_WITH_FLEET = ("settings", "collector", "flow", "search", "report", "png", "list")


def run_study(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    try:
        zone = None if arguments.time_zone is None else zone_named(arguments.time_zone)
        if arguments.dask is not None:
            require_cluster(arguments.dask)
        plan = Plan(
            days=float(arguments.days),
            draws=arguments.draws,
            seed=arguments.seed,
            most_dp_pa=arguments.most_dp,
            least_flow=arguments.least_flow,
            dask=arguments.dask,
        )
        (_study_one if arguments.fleet is None else _study_fleet)(arguments, plan, zone)
    except UnknownZoneError as error:
        raise UsageError(f"--time-zone {error}") from None
    except (TraceError, TooThinError) as error:
        raise UsageError(f"{arguments.trace}: {error}") from None
    except (StudyError, StoreRefused, UnwritableError) as error:
        raise UsageError(str(error)) from None
    return DONE


def _study_one(arguments: argparse.Namespace, plan: Plan, zone: ZoneInfo | None) -> None:
    if arguments.trace is None or arguments.settings is None:
        raise StudyError("name a TRACE and its --settings, or a list with --fleet")
    collector = chosen_collector(settings_in(arguments.settings), arguments.collector)
    setpoints = to_setpoints(collector)
    reports = {write_html: arguments.report, write_png: arguments.png}
    wanted = {write: to for write, to in reports.items() if to is not None}
    _require_reportable(arguments.trace, wanted.values())
    with study_progress(plan.draws, arguments.search):
        read = fit_trace(arguments.trace, setpoints, zone)
        done = _studied(read.collector, setpoints, plan, arguments)
    made = recommended(done)
    listed = table(done, made, Order(arguments.sort), arguments.list or MOST_LISTED)
    if arguments.json:
        rows = {"listed": table_json(done, listed)} if arguments.list else {}
        print(json.dumps({**as_json(done, made), **rows}, allow_nan=False), flush=True)
    else:
        shown = ["", "In 1000 hours of running:", *table_lines(listed)] if arguments.list else []
        print(*made.text, *shown, sep="\n", flush=True)
    if wanted:
        events = _replayed(arguments.trace, setpoints, read)
        data = report_data(f"Set points of {collector.name}", read, events, done, made, listed)
        for write, to in wanted.items():
            with atomic_write(to) as part:
                write(data, part)


def _require_reportable(trace: Path, wanted: Collection[Path]) -> None:
    """Raises StudyError or UnwritableError where no report could be written: before the work."""
    for to in wanted:
        require_writable(to)
    if wanted and trace.is_fifo():
        raise StudyError(
            f"{trace}: for a report the trace is read twice, and a pipe can be read once; write it "
            "into a file first, or leave out --report and --png"
        )


def _studied(
    fitted: FittedCollector, setpoints: Setpoints, plan: Plan, arguments: argparse.Namespace
) -> Study:
    flow_m3s = arguments.flow or fitted.flow_m3s
    if flow_m3s is None:
        raise StudyError("the trace has no `flow_m3s`: give the mean flow with --flow")
    air_m3 = None if arguments.air is None else arguments.air / 1000.0
    prices = Prices(setpoints.air, flow_m3s, air_m3, arguments.fan_efficiency)
    if arguments.search is None:
        return study(fitted, setpoints, prices, plan)
    return search(fitted, setpoints, prices, plan, arguments.search)


def _replayed(file: Path, setpoints: Setpoints, read: FittedTrace) -> list[Event]:
    with open_any(file, setpoints) as trace:
        # Checked when the fit was made: there are no bad rows.
        samples = trace.samples(read.match.unused)
        replay = Replay(read.match.setpoints, recorded=trace.recorded)
        return list(replay.events(samples))  # type: ignore[arg-type]


def _study_fleet(arguments: argparse.Namespace, plan: Plan, zone: ZoneInfo | None) -> None:
    """Study every collector on the list, and print what came of it. Raises StudyError where that
    is nothing at all."""
    given = ["TRACE"] if arguments.trace is not None else []
    given += [f"--{name}" for name in _NOT_WITH_FLEET if getattr(arguments, name) is not None]
    if given:
        raise UsageError(
            f"--fleet goes without {', '.join(given)}: traces, settings and flows are named in the "
            "list, and a closer study is of one collector at a time"
        )
    listed = fleet_members(arguments.fleet, arguments.air, arguments.fan_efficiency)
    with study_progress(plan.draws, None):
        found = fleet(listed, plan, zone=zone)
    as_lines = (json.dumps(each, allow_nan=False) for each in fleet_json(found))
    print("\n".join(as_lines if arguments.json else fleet_lines(found)), flush=True)
    if all(each.recommendation is None for each in found):
        raise StudyError(
            f"{arguments.fleet}: no collector on this list could be studied, see above"
        )


def fleet_members(
    list_file: Path, air_l: float | None, fan_efficiency: float
) -> list[Member | FleetResult]:
    """The collectors on the list; paths are relative to it. One whose settings are not in order is
    refused alone. Raises StudyError, which names the line."""
    rows = csv.DictReader(_lines(list_file))
    names = tuple(rows.fieldnames or ())
    if not {"trace", "settings"} <= set(names) or not set(names) <= set(_FLEET_COLUMNS):
        raise StudyError(
            f"{list_file}: line 1: {', '.join(names) or 'nothing'}: the columns are trace and "
            f"settings, and if wanted {', '.join(_FLEET_COLUMNS[2:])}"
        )
    settings_of, found = cache(settings_in), list[Member | FleetResult]()
    for row in rows:
        where = f"{list_file}: line {rows.line_num}"
        trace, settings_file, name, flow, air = (row.get(each) or "" for each in _FLEET_COLUMNS)
        try:
            settings = settings_of(list_file.parent / settings_file)
        except UsageError as error:
            fail(str(error))
            why = f"{where}: settings: {settings_file!r}: not in order, see above"
            found.append(FleetResult(name or trace, list_file.parent / trace, refused=why))
            continue
        collector = _collector_named(name, settings, where)
        litres = _number(air, f"{where}: air_l", AIR_L) or air_l
        found.append(
            Member(
                collector.name,
                list_file.parent / trace,
                to_setpoints(collector),
                _number(flow, f"{where}: flow_m3s", FLOW_M3S),
                None if litres is None else litres / 1000.0,
                fan_efficiency,
            )
        )
    if not found:
        raise StudyError(f"{list_file}: no line after the header: name a trace on each")
    return found


def _collector_named(name: str, settings: Settings, where: str) -> Collector:
    chosen = [each for each in settings.collectors if name in ("", each.name)]
    if len(chosen) == 1:
        return chosen[0]
    names = ", ".join(each.name for each in settings.collectors)
    raise StudyError(f"{where}: collector: {name!r}: name one of {names}")


def _lines(list_file: Path) -> list[str]:
    try:
        with list_file.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            return file.readlines()
    except OSError as error:
        raise StudyError(f"{list_file}: {error.strerror}; name a list this user may read") from None


def _number(text: str, where: str, read: Callable[[str], float]) -> float | None:
    if not text.strip():
        return None
    try:
        return read(text)
    except argparse.ArgumentTypeError as error:
        raise StudyError(f"{where}: {error}, or leave it empty") from None
