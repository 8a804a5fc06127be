"""`dustcake life`: how long filters will last, from a recorded trace, as a range."""

import argparse
import json
from pathlib import Path
from typing import Any

from dustcake.cli.common import BAD_USAGE, DONE, UsageError, between
from dustcake.core.filter_life.forecast import FEWEST_POINTS, Forecast
from dustcake.publish.wording import duration
from dustcake.units import Pressure, PressureUnit, parse_pressure, show
from dustcake_lab.commands.trace_reading import BadRowReport
from dustcake_lab.life import LifeTrace, forecast_at, reached_s, read_rows, summarised
from dustcake_lab.traces.columns import BadRow, TraceError

DESCRIPTION = "Say from a recorded trace how long the filters will last, as a range."
EPILOG = """\
example:
  dustcake life clogging.csv --limit 600Pa --at 50 75 100 --json

The trace is as for `dustcake replay`: `time` (ISO 8601 with zone, or seconds) and one of
`dp_pa`, `dp_inh2o`, `dp_mbar`, `dp_mmh2o`; optional `flow_m3s` and `blower_running`. With flow, dP
is brought to the reference flow, in proportion (flow through media and cake is laminar). Time in
which the blower does not run does not count.

What is said at each point of the trace rests on what came before it alone: between how much more
running time dP will reach the limit, with 80 % confidence. The range mixes laws of growth that
decelerate, keep on or accelerate; it is no date and no promise. The daemon does the same with the
residual dP after each cleaning.

With --json each forecast is one object: `t_s` (running time), `outlook` (`range`, `beyond_horizon`,
`reached`, `not_enough_data`), `remaining_low_s` and `remaining_high_s` (null: beyond the horizon),
`confidence`. The last is the summary, with `reached_s`: the running time at which dP reached the
limit in the trace itself, or null. Exit code 0: done; 2: the options or the trace are not in order.
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake life`."""
    parser.add_argument(
        "trace", type=Path, metavar="TRACE", help="the recorded trace (CSV or Parquet)"
    )
    parser.add_argument(
        "--limit",
        type=_limit,
        required=True,
        metavar="PRESSURE",
        help="dP at which the filters are at their end, as 600Pa or 5inH2O",
    )
    parser.add_argument(
        "--at",
        type=between(0.0, 100.0, "a percentage"),
        nargs="+",
        default=[100.0],
        metavar="PERCENT",
        help="of the trace, after which to forecast (default: 100, its end)",
    )
    parser.add_argument(
        "--flow",
        type=between(0.0, 1e6, "a flow in m3/s"),
        metavar="M3_S",
        help="reference flow, m3/s (default: the median of the first tenth)",
    )
    parser.add_argument(
        "--cleaned",
        action="store_true",
        help="the filters were pulse-cleaned: take what cleaning left (the lowest tenth of dP in "
        "each stretch of time)",
    )
    parser.add_argument(
        "--skip-bad-rows", action="store_true", help="leave out rows that cannot be used"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object a line")


def _limit(text: str) -> Pressure:
    try:
        limit = parse_pressure(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r}: {error}") from None
    if limit.value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r}: give a pressure above zero")
    return limit


def run(arguments: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    limit: Pressure = arguments.limit
    rows, bad_rows = [], BadRowReport(skip=arguments.skip_bad_rows)
    try:
        for row in read_rows(arguments.trace):
            if isinstance(row, BadRow):
                bad_rows.add(row)
            else:
                rows.append(row)
        bad_rows.close()
        if bad_rows.refused:
            return BAD_USAGE
        trace = summarised(rows, arguments.flow, cleaned=arguments.cleaned)
    except TraceError as error:
        raise UsageError(f"{arguments.trace}: {error}") from None
    for percent in arguments.at:
        found = forecast_at(trace, percent / 100.0, limit.pa)
        print(_json(found, percent) if arguments.json else _words(found, percent, limit.unit))
    summary = _summary(trace, limit.pa, reached_s(trace, limit.pa), bad_rows.count)
    if arguments.json:
        print(json.dumps(summary))
    else:
        print("\n".join(_summary_words(summary, limit)))
    return DONE


def _json(found: Forecast, percent: float) -> str:
    return json.dumps(
        {
            "event": "forecast",
            "at_percent": percent,
            "t_s": _seconds(found.hours),
            "outlook": found.outlook.value,
            "remaining_low_s": _seconds(found.low_h),
            "remaining_high_s": _seconds(found.high_h),
            "confidence": found.confidence,
            "horizon_s": _seconds(found.horizon_h),
            "dp_pa": None if found.residual_pa is None else round(found.residual_pa, 3),
            "rise_pa_per_h": found.rise_pa_per_h,
            "points": found.points,
        }
    )


def _seconds(hours: float | None) -> float | None:
    return None if hours is None else round(hours * 3600.0, 3)


def _words(found: Forecast, percent: float, unit: PressureUnit) -> str:
    at = f"after {percent:g} % ({duration(found.hours * 3600.0)})"
    if found.residual_pa is None:
        return f"{at}: not enough data yet, {found.points} of {FEWEST_POINTS} points"
    level = f"dP {show(found.residual_pa, unit)}"
    if found.low_h is None:
        return f"{at}: {level}; no end in sight within {duration(found.horizon_h * 3600.0)}"
    if found.low_h == found.high_h == 0.0:
        return f"{at}: {level} has reached the limit"
    low = duration(found.low_h * 3600.0)
    high = None if found.high_h is None else duration(found.high_h * 3600.0)
    left = f"more than {low}" if high is None else f"{low} to {high}"
    return f"{at}: {left} remain ({found.confidence * 100:.0f} % confidence); {level}"


def _summary(
    trace: LifeTrace, limit_pa: float, reached: float | None, bad_rows: int
) -> dict[str, Any]:
    return {
        "event": "summary",
        "samples": trace.samples,
        "without_dp_or_flow": trace.lost,
        "bad_rows": bad_rows,
        "duration_s": round(trace.duration_s, 6),
        "running_s": round(trace.running_s, 6),
        "limit_pa": round(limit_pa, 3),
        "reference_flow_m3_s": trace.reference_m3_s,
        "reached_s": None if reached is None else round(reached, 3),
    }


def _summary_words(summary: dict[str, Any], limit: Pressure) -> list[str]:
    reached = summary["reached_s"]
    end = "is not reached" if reached is None else f"is reached after {duration(reached)}"
    over = f"{summary['samples']} samples over {duration(summary['duration_s'])}"
    lines = [f"{over}; in them {limit} {end}"]
    if summary["reference_flow_m3_s"] is not None:
        lines.append(f"dP is stated at {summary['reference_flow_m3_s']:g} m3/s")
    return lines
