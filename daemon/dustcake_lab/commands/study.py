"""Fit a collector to a trace, and try settings on it.

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
that age by pulses. It takes some weeks of running (300 hours at least) to show it.

Hours of the day are those of UTC unless --time-zone names another clock, such as Europe/Berlin.

--json prints one object: `recommended` and `today` (`mode`, `low_pa`, `high_pa`, `interval_s`,
`on_time_s`; `recommended` is null where nothing is), `ranges` (least and greatest of each that are
as good), `outcome` and `today_outcome` (in 1000 hours of running `fan_kwh`, `air_kwh`, `pulses`,
`runs`; `mean_dp_pa`, `highest_dp_pa`; `mean_flow` and `least_flow` as shares of the mean flow;
`days` simulated), `saving` (share of today's energy) and `saving_kwh_per_1000_h`, both `mean`,
`low` and `high` (95 %), `prices` (what was reckoned with), `binding` (the limit that keeps energy
from being lower), `filter_life` (`today` and `recommended`, blower hours from `low_h` to `high_h`,
null where no end is in sight; or `not_told`, why), `candidates` (how many settings were tried),
`fit` (what the trace says of the collector, each `value` from `low` to `high`), `text` (all of it
in words), `label` (what such an answer is worth), and with --list `listed`. Of a fleet it prints an
object for each `collector`, its `event` "refused" with a `reason` where there is none, and one for
all, whose `event` is "fleet".

Needs the extra `analysis`. Exit code 0: done; 2: settings, options or trace are not in order, or
the trace cannot say.
"""

import argparse
from importlib.util import find_spec
from pathlib import Path

from dustcake.cli.common import UsageError, between
from dustcake.settings.extras import install_hint
from dustcake_lab.commands.common import AIR_L, FLOW_M3S, file_called, whole_number


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake study`."""
    add = parser.add_argument
    add("trace", type=Path, nargs="?", metavar="TRACE", help="the recorded trace")
    add("--settings", type=Path, metavar="FILE", help="of the collector")
    add(
        "--fleet",
        type=Path,
        metavar="LIST.csv",
        help="many collectors instead of one: a CSV file with the columns trace and settings, and "
        "if wanted collector, flow_m3s, air_l; one line a collector",
    )
    add("--collector", metavar="NAME", help="which, where there are several")
    add("--flow", type=FLOW_M3S, metavar="M3S", help="mean flow, m3/s, where not recorded")
    add(
        "--air",
        type=AIR_L,
        metavar="LITRES",
        help="free air of one pulse with today's on-time (default: air.rated_pulse_l of the "
        "settings)",
    )
    add(
        "--fan-efficiency",
        type=between(0.0, 1.0, "a share, such as 0.6"),
        default=0.6,
        metavar="SHARE",
        help="fan, motor and drive together (default 0.6: common practice, no source)",
    )
    add(
        "--most-dp",
        type=between(0.0, 100_000.0, "a pressure in Pa, such as 1200"),
        metavar="PA",
        help="highest dP allowed",
    )
    add("--least-flow", type=FLOW_M3S, metavar="M3S", help="least flow at the hood, m3/s")
    add(
        "--days",
        type=whole_number(1, 3660),
        default=30,
        metavar="N",
        help="how long to simulate each of the settings (default 30)",
    )
    add(
        "--draws",
        type=whole_number(2, 1000),
        default=4,
        metavar="N",
        help="under how many sets of parameters that the trace allows (default 4)",
    )
    add(
        "--search",
        type=whole_number(1, 100_000),
        metavar="N",
        help="seek settings in N tries (differential evolution), such as 200, instead of going "
        "through a grid",
    )
    add(
        "--seed",
        type=whole_number(0, 2**31 - 1),
        default=1,
        metavar="N",
        help="of all chance in it: the same gives the same answer again (default 1)",
    )
    add(
        "--time-zone",
        metavar="NAME",
        help="whose hours of the day are meant, as Europe/Berlin (default: UTC)",
    )
    add(
        "--list",
        type=whole_number(1, 100_000),
        metavar="N",
        help="also list the N best settings, in a table",
    )
    add(
        "--sort",
        choices=("energy", "life", "pulses", "dp"),
        default="energy",
        help="by what that table is sorted, here and in the report (default: energy)",
    )
    add(
        "--dask",
        metavar="ADDRESS",
        help="run on this Dask cluster (tcp://host:8786), with the"
        " extra `cluster`, instead of on all cores of this machine",
    )
    add("--report", type=file_called(".html", ".htm"), metavar="FILE.html", help="write a report")
    add("--png", type=file_called(".png"), metavar="FILE.png", help="draw the report's plots")
    add("--json", action="store_true", help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    if any(find_spec(name) is None for name in ("numpy", "polars", "joblib", "matplotlib")):
        raise UsageError(f"a study needs {install_hint('analysis')}")
    from dustcake_lab.commands.study_run import run_study

    return run_study(arguments)
