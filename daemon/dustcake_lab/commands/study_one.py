"""The study of one collector, for `dustcake study`."""

import argparse
import json
import sys
from typing import TYPE_CHECKING

from dustcake.cli.common import chosen_collector, settings_in
from dustcake.settings.setpoints import to_setpoints
from dustcake_lab.commands.progress import study_progress

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dustcake.core.setpoints import Setpoints
    from dustcake_lab.fit.trace import FittedTrace
    from dustcake_lab.study.jobs import Plan
    from dustcake_lab.study.results import SettingsRow
    from dustcake_lab.study.study import Study
    from dustcake_lab.study.verdict import Verdict


def study_one(arguments: argparse.Namespace, plan: "Plan", zone: "ZoneInfo | None") -> None:
    """Fit, study, and report. Raises StudyError, UnwritableError, and what a fit raises."""
    from dustcake_lab.fit.trace import fit_trace
    from dustcake_lab.study.jobs import StudyError
    from dustcake_lab.study.results import MOST_LISTED, Order, table
    from dustcake_lab.study.verdict import verdict
    from dustcake_lab.traces.atomic_file import require_writable

    if arguments.trace is None or arguments.settings is None:
        raise StudyError("name a TRACE and its --settings, or a list with --fleet")
    collector = chosen_collector(settings_in(arguments.settings), arguments.collector)
    setpoints = to_setpoints(collector)
    wanted = [to for to in (arguments.report, arguments.png) if to is not None]
    for to in wanted:
        require_writable(to)
    if wanted and arguments.trace.is_fifo():
        raise StudyError(
            f"{arguments.trace}: for a report the trace is read twice, and a pipe can be read "
            "once; write it into a file first, or leave out --report and --png"
        )
    with study_progress(plan.draws, arguments.search):
        read = fit_trace(arguments.trace, setpoints, zone)
        done = _studied(read, setpoints, plan, arguments)
    made = verdict(done)
    most = arguments.list or MOST_LISTED
    listed = table(done, made, Order(arguments.sort), most)
    _tell(done, made, listed, arguments)
    if wanted:
        _report(collector.name, read, setpoints, done, made, listed, arguments)


def _studied(
    read: "FittedTrace", setpoints: "Setpoints", plan: "Plan", arguments: argparse.Namespace
) -> "Study":
    from dustcake_lab.study.candidates import prices_of
    from dustcake_lab.study.jobs import StudyError
    from dustcake_lab.study.search import search
    from dustcake_lab.study.study import study

    fitted, tries = read.collector, arguments.search
    flow_m3s = arguments.flow or fitted.flow_m3s
    if flow_m3s is None:
        raise StudyError("the trace does not tell `flow_m3s`: give the mean flow with --flow")
    air_m3 = None if arguments.air is None else arguments.air / 1000.0
    prices = prices_of(setpoints.air, flow_m3s, air_m3, arguments.fan_efficiency)
    if tries is None:
        return study(fitted, setpoints, prices, plan)
    return search(fitted, setpoints, prices, plan, tries)


def _tell(
    done: "Study", made: "Verdict", listed: "list[SettingsRow]", arguments: argparse.Namespace
) -> None:
    from dustcake_lab.study.results import as_json, table_json, table_lines

    if arguments.json:
        told = as_json(done, made)
        if arguments.list:
            told["listed"] = table_json(done, listed)
        print(json.dumps(told, allow_nan=False))
    else:
        print("\n".join(made.text))
        if arguments.list:
            print("", "In 1000 hours of running:", *table_lines(listed), sep="\n")
    sys.stdout.flush()


def _report(
    name: str,
    read: "FittedTrace",
    setpoints: "Setpoints",
    done: "Study",
    made: "Verdict",
    listed: "list[SettingsRow]",
    arguments: argparse.Namespace,
) -> None:
    from dustcake_lab.replay.replay import Replay
    from dustcake_lab.report.data import report_data
    from dustcake_lab.traces.atomic_file import atomic_write
    from dustcake_lab.traces.files import open_any

    with open_any(arguments.trace, setpoints) as trace:
        # Checked when the fit was made: there are no bad rows.
        samples = trace.samples(read.match.unused)
        replay = Replay(read.match.setpoints, recorded=trace.recorded)
        events = list(replay.events(samples))  # type: ignore[arg-type]
    data = report_data(f"Set points of {name}", read, events, done, made, listed)
    if arguments.report is not None:
        from dustcake_lab.report.html import write_html

        with atomic_write(arguments.report) as part:
            write_html(data, part)
    if arguments.png is not None:
        from dustcake_lab.report.plots import write_png

        with atomic_write(arguments.png) as part:
            write_png(data, part)
