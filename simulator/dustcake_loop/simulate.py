"""Run the daemon's decisions on a simulated collector, far faster than life.

example:
  dustcake simulate shift_year --days 30 --json
  dustcake simulate tired_compressor --plot tired.png
  dustcake simulate my_plant.toml --settings /etc/dustcake/dustcake.toml

SCENARIO is the path of a TOML file of your own, or the name of one that comes with dustcake:
%(names)s.
Without --settings, the settings file that the scenario names is used.

The collector and the daemon's own decision core run together, as fast as they can; with --speed
so many times faster than life. Scenario time begins at midnight of a Monday, and is shown as that
of 1 January 2024, UTC. The same --seed gives the same run.

With --json each event is one object, as `dustcake replay --json` prints them; the last is the
summary, with the plant's side in `plant`. Exit code 0: done; 2: the scenario, the settings or the
options are not in order. What is simulated is no claim about a real collector.
"""

import argparse
import json
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

from dustcake.cli.common import DONE, UsageError, between, chosen_collector
from dustcake.core.inputs import Stamp
from dustcake.settings.errors import SettingsError
from dustcake.settings.load import load_settings, parse_settings
from dustcake.settings.model import Settings
from dustcake.settings.setpoints import to_setpoints
from dustcake_lab.commands.common import ProgressLine, progress_line
from dustcake_lab.replay.listing import JsonListing, Listing
from dustcake_lab.replay.replay import Tally
from dustcake_loop.closed_loop import FIRST_UTC_S, ClosedLoop
from dustcake_loop.simulation import (
    Curves,
    PlotError,
    draw,
    require_matplotlib,
    summary,
    summary_lines,
)
from dustcake_sim.scenario import (
    Scenario,
    ScenarioError,
    load_scenario,
    packaged_scenarios,
    settings_beside,
)

_DAY_S = 86_400.0
_BAR_EVERY_S, _BAR_WIDTH = 0.5, 30
_SAMPLES, _SAMPLE_S = 4000, 3.0  # of a run that is to be drawn: so many, no closer than that


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake simulate`."""
    names = textwrap.fill(", ".join(packaged_scenarios()), 92, break_long_words=False)
    parser.epilog = str(parser.epilog) % {"names": names}
    parser.add_argument("scenario", metavar="SCENARIO", help="name or path of a scenario (TOML)")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="the settings file (TOML)")
    parser.add_argument(
        "--collector", metavar="NAME", help="which collector, where the settings have several"
    )
    parser.add_argument(
        "--days",
        type=between(0.0, 1e6, "a number of days"),
        metavar="N",
        help="how long (default: as the scenario says)",
    )
    parser.add_argument("--seed", type=int, default=0, help="of noise and bursts (default 0)")
    parser.add_argument(
        "--speed",
        type=between(0.0, 1e6, "a number"),
        metavar="N",
        help="times real time (default: as fast as can be)",
    )
    parser.add_argument("--plot", type=Path, metavar="FILE.png", help="draw the run into this file")
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    try:
        _simulate(arguments)
    except (ScenarioError, SettingsError, PlotError) as error:
        raise UsageError(str(error)) from None
    return DONE


def _simulate(arguments: argparse.Namespace) -> None:
    scenario = load_scenario(arguments.scenario)
    collector = chosen_collector(_settings(arguments, scenario), arguments.collector)
    _check_plot(arguments.plot)
    setpoints = to_setpoints(collector)
    try:
        loop = ClosedLoop(scenario, setpoints, sample_s=collector.poll_s, seed=arguments.seed)
    except ValueError as error:
        raise UsageError(
            f"{error}: choose settings with one output for each row, or another scenario"
        ) from None
    until_s = (arguments.days or scenario.days) * _DAY_S
    curves, line = Curves(scenario.plant.rows, until_s), progress_line()
    watchers: list[Watcher] = [] if line is None else [_bar(line, until_s)]
    if arguments.plot is not None:
        watchers.append(curves.watch)
        loop.longest_leap_s = max(_SAMPLE_S, until_s / _SAMPLES)
    if arguments.speed is not None:
        watchers.append(_pace(arguments.speed))
    tally = Tally(first_utc_s=FIRST_UTC_S)
    listing = (JsonListing if arguments.json else Listing)(sys.stdout, collector.shown_in)

    def watch(loop: ClosedLoop) -> None:
        for each in watchers:
            each(loop)

    for event in loop.events(until_s, watch):
        tally.count(event)
        if line is not None:
            line.clear()
        listing.event(event)
        if arguments.plot is not None:
            curves.note(event)
        if arguments.speed is not None:
            sys.stdout.flush()
    if line is not None:
        line.close()
    tally.end(Stamp(loop.t_s, FIRST_UTC_S + loop.t_s))
    if arguments.json:
        print(json.dumps(summary(tally, loop), allow_nan=False))
    else:
        print("\n".join(summary_lines(tally, loop)))
    sys.stdout.flush()
    if arguments.plot is not None:
        draw(curves, arguments.plot, scenario, setpoints)


def _settings(arguments: argparse.Namespace, scenario: Scenario) -> Settings:
    if arguments.settings is not None:
        return load_settings(arguments.settings)
    beside = settings_beside(arguments.scenario, scenario)
    if beside is None:
        raise UsageError(
            f"{arguments.scenario} names no settings: add --settings FILE, or to the scenario"
            ' settings = "FILE", beside it'
        )
    if isinstance(beside, Path):
        return load_settings(beside)
    return parse_settings(beside.read_text(encoding="utf-8"), beside.name)


def _check_plot(path: Path | None) -> None:
    """Before a long run, not after it."""
    if path is None:
        return
    require_matplotlib()
    if not path.parent.is_dir():
        raise UsageError(f"--plot {path}: no such directory; name a file in one that is there")


Watcher = Callable[[ClosedLoop], None]


def _pace(speed: float) -> Watcher:
    """Holds a run back to so many times real time."""
    origin_s = time.monotonic()

    def watch(loop: ClosedLoop) -> None:
        ahead_s = loop.t_s / speed - (time.monotonic() - origin_s)
        if ahead_s > 0.0:
            time.sleep(ahead_s)

    return watch


def _bar(line: ProgressLine, until_s: float) -> Watcher:
    """How far a run has come, and not before it has taken a while."""
    begun_s = shown_s = time.monotonic()

    def watch(loop: ClosedLoop) -> None:
        nonlocal shown_s
        now_s = time.monotonic()
        if now_s - shown_s < _BAR_EVERY_S:
            return
        shown_s = now_s
        done = round(loop.t_s / until_s * _BAR_WIDTH)
        bar = "#" * done + "." * (_BAR_WIDTH - done)
        days = f"day {loop.t_s / _DAY_S:.1f} of {until_s / _DAY_S:g}"
        line.show(f"[{bar}] {days}, {loop.t_s / (now_s - begun_s):,.0f} x real time")

    return watch
