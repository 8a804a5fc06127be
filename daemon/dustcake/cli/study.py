"""`dustcake study`: which set points would serve a collector best, from a trace of it."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from dustcake.cli.common import BAD_USAGE, DONE, fail

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dustcake.analysis.study_jobs import Plan

_EPILOG = """\
example:
  dustcake history --since 28d --export march.parquet
  dustcake study march.parquet --settings /etc/dustcake/dustcake.toml --flow 1.2 --report march.html
  dustcake study march.parquet --settings plant.toml --flow 1.2 --list 10 --sort life
  dustcake study --fleet plant.csv --json        # all collectors of a list, on all cores

Estimates the collector from a trace with pulses (a column `pulse_valve` or `pulses`, as `dustcake
history --export` writes; of a sequencer board, which reports none, `cleaning`, and its rated time
for a cycle): how fast it loads, what no pulse takes off, what a pulse does and how that scatters.
Then runs some two hundred settings, each with the daemon's own decision core, on
that model, for a simulated month and under several sets of parameters that the trace allows.

What is weighed is energy: of the fan for the dP of the filters, and of compressed air; within the
highest dP allowed, the least flow, and low set points that cleaning can reach. Between equals
those win whose filters last about as long as any, and of these the one with fewest pulses. The
answer is a range, or that the trace is too thin for one. It is simulated, and no promise for a
plant.

Filter life: blower hours until residual dP reaches the filter replacement set point, from how
residual dP has risen over the trace; as a range over filters that age by running hours and filters
that age by pulses. It takes some weeks of running (300 hours at least) to tell it.

Hours of the day are those of UTC unless --time-zone names another clock, such as Europe/Berlin.

Needs the extra `analysis`. Exit code 0: done; 2: settings, options or trace are not in order, or
the trace cannot say.
"""
_AIR_LITRES = 40.0


def add(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command `study`."""
    parser = subparsers.add_parser(
        "study",
        help="find better set points from a recorded trace, by simulation",
        description="Fit a collector to a trace, and try settings on it.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("trace", type=Path, nargs="?", metavar="TRACE", help="the recorded trace")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="of the collector")
    parser.add_argument(
        "--fleet",
        type=Path,
        metavar="LIST.csv",
        help="many collectors instead of one: a CSV file with the columns trace and settings, and "
        "if wanted collector, flow_m3s, air_l; one line a collector",
    )
    parser.add_argument("--collector", metavar="NAME", help="which, where there are several")
    above = _above_zero
    parser.add_argument("--flow", type=above, metavar="M3S", help="mean flow, where not recorded")
    parser.add_argument(
        "--air",
        type=above,
        default=_AIR_LITRES,
        metavar="LITRES",
        help="free air of one pulse with"
        f" today's on-time (default {_AIR_LITRES:g}: a 30 l tank from 6.2 to 4.8 bar, by example)",
    )
    parser.add_argument(
        "--fan-efficiency",
        type=above,
        default=0.6,
        metavar="N",
        help="fan, motor and drive together (default 0.6: common practice, no source)",
    )
    parser.add_argument("--most-dp", type=above, metavar="PA", help="highest dP allowed")
    parser.add_argument("--least-flow", type=above, metavar="M3S", help="least flow at the hood")
    parser.add_argument("--days", type=above, default=30.0, metavar="N", help="default 30")
    parser.add_argument("--draws", type=int, default=4, metavar="N", help="sets of parameters")
    parser.add_argument(
        "--search",
        type=int,
        metavar="N",
        help="seek settings in N tries (differential evolution), such as 200, instead of going "
        "through a grid",
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument(
        "--time-zone",
        metavar="NAME",
        help="whose hours of the day are meant, as Europe/Berlin (default: UTC)",
    )
    parser.add_argument(
        "--list", type=_count, metavar="N", help="also list the N best settings, in a table"
    )
    parser.add_argument(
        "--sort",
        choices=("energy", "life", "pulses", "dp"),
        default="energy",
        help="by what that table is sorted, here and in the report (default: energy)",
    )
    parser.add_argument(
        "--dask",
        metavar="ADDRESS",
        help="run on this Dask cluster (tcp://host:8786), with the"
        " extra `cluster`, instead of on all cores of this machine",
    )
    parser.add_argument("--report", type=Path, metavar="FILE.html", help="write a report")
    parser.add_argument("--png", type=Path, metavar="FILE.png", help="draw the report's plots")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(func=_study)


def _above_zero(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value < 1e9:
        raise argparse.ArgumentTypeError(f"{text!r} is not usable: give a number above 0")
    return value


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not usable: give a whole number above 0")
    return int(text)


def _study(arguments: argparse.Namespace) -> int:
    from importlib.util import find_spec

    if any(find_spec(name) is None for name in ("numpy", "polars", "joblib", "plotly")):
        fail('a study needs the extra `analysis`: pip install "dustcake[analysis]"')
        return BAD_USAGE
    from dustcake.adapters.store import StoreRefused
    from dustcake.analysis.fit_data import TooThinError
    from dustcake.analysis.fit_hours import UnknownZoneError, zone_named
    from dustcake.analysis.study import StudyError
    from dustcake.analysis.trace_columns import TraceError
    from dustcake.cli.study_one import study_one

    try:
        zone = None if arguments.time_zone is None else zone_named(arguments.time_zone)
        if arguments.fleet is None:
            study_one(arguments, _plan(arguments), zone)
        else:
            _run_fleet(arguments, zone)
    except UnknownZoneError as error:
        fail(f"--time-zone {error}")
    except (TraceError, TooThinError) as error:
        fail(f"{arguments.trace}: {error}")
    except (StudyError, StoreRefused) as error:
        fail(str(error))
    except OSError as error:
        fail(f"{error.filename}: {error.strerror}; name a file this user may write")
    else:
        return DONE
    return BAD_USAGE


def _plan(arguments: argparse.Namespace) -> "Plan":
    from dustcake.analysis.study_jobs import Plan

    return Plan(
        days=arguments.days,
        draws=max(2, arguments.draws),
        seed=arguments.seed,
        most_dp_pa=arguments.most_dp,
        least_flow=arguments.least_flow,
        dask=arguments.dask,
    )


def _run_fleet(arguments: argparse.Namespace, zone: "ZoneInfo | None") -> None:
    from dustcake.analysis.study_jobs import StudyError
    from dustcake.cli.study_fleet import study_fleet

    given = [
        f"--{name}"
        for name in ("settings", "collector", "flow", "search", "report", "png", "list")
        if getattr(arguments, name) is not None
    ]
    if arguments.trace is not None or given:
        what = ", ".join(["TRACE"] * (arguments.trace is not None) + given)
        raise StudyError(f"--fleet goes without {what}: the list says that of each collector")
    study_fleet(
        arguments.fleet,
        _plan(arguments),
        arguments.air,
        arguments.fan_efficiency,
        zone,
        as_json=arguments.json,
    )
