"""Say from a recorded trace how long the filters will last, as a range.

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

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate, groupby, pairwise
from pathlib import Path
from statistics import median
from typing import Any

from dustcake.cli.common import BAD_USAGE, DONE, UsageError, between
from dustcake.core.filter_life.forecast import FEWEST_POINTS, Forecast, Point, at_flow, forecast
from dustcake.core.inputs import Measured
from dustcake.core.record import record
from dustcake.publish.wording import duration
from dustcake.units import Pressure, PressureUnit, parse_pressure, show
from dustcake_lab.commands.common import BadRowReport
from dustcake_lab.traces.columns import BadRow, TraceError
from dustcake_lab.traces.files import open_rows

_STRETCHES = 1920  # of the whole trace: all that is kept of it, whatever its length
_CLEANED_STRETCHES = 200  # each long enough to hold cleanings
_POINTS = 40  # of the part before a forecast
_REFERENCE_PART = 0.1  # of the trace, whose median flow is the reference where none is given
_LEAST_FLOW = 0.05  # of the reference: below it there is no flow to speak of
_TOGETHER = 5  # stretches: one alone may be noise
_LOWEST = 0.1  # of a stretch of a cleaned collector: its residual


@record
class TraceRow:
    """One row: seconds from the first, dP and flow where there are any, and whether it ran."""

    t_s: float
    dp_pa: float | None
    flow_m3_s: float | None
    running: bool


def read_rows(path: Path, bad_rows: BadRowReport) -> list[TraceRow]:
    """The rows of a trace, CSV or Parquet. Raises ``TraceError``."""
    rows = []
    with open_rows(path) as trace:
        for each in trace.samples():
            if isinstance(each, BadRow):
                bad_rows.add(each)
            else:
                dp_pa = each.dp.pa if isinstance(each.dp, Measured) else None
                running = each.contacts.blower_running is not False
                rows.append(TraceRow(each.at.mono_s, dp_pa, trace.reader.flow_m3s, running))
    bad_rows.close()
    return rows


@dataclass(slots=True)
class LifeTrace:
    """What is kept of a trace. ``lost``: samples without dP, or without flow where flow is known.
    ``stretches``: running time at their middle, s, and dP, Pa (at the reference flow where flow is
    known)."""

    samples: int
    lost: int
    duration_s: float
    running_s: float
    reference_m3_s: float | None
    stretches: list[tuple[float, float]]


def summarised(
    rows: Sequence[TraceRow], reference_m3_s: float | None, *, cleaned: bool
) -> LifeTrace:
    """Medians of short stretches of running time; with ``cleaned`` the lowest tenth instead, which
    is what cleaning leaves. Raises ``TraceError`` where there is nothing to take one of."""
    if not rows:
        raise TraceError("no row that can be used after the header")
    reference_m3_s = _reference_m3_s(rows, reference_m3_s)
    steps_s = (row.running * (later.t_s - row.t_s) for row, later in pairwise(rows))
    ran_s = list(accumulate(steps_s, initial=0.0))
    at_reference = (_normalised(row, reference_m3_s) for row in rows)
    readings = [(s, pa) for s, pa in zip(ran_s, at_reference, strict=True) if pa is not None]
    if ran_s[-1] <= 0.0 or not readings:
        raise TraceError("no dP with flow over any length of time; nothing can be said of it")
    count, level = (_CLEANED_STRETCHES, _lowest) if cleaned else (_STRETCHES, median)
    stretches = [
        (median(at_s for at_s, _ in stretch), level([pa for _, pa in stretch]))
        for stretch in _stretches(readings, ran_s[-1] / count)
    ]
    lost, duration_s = len(rows) - len(readings), rows[-1].t_s - rows[0].t_s
    return LifeTrace(len(rows), lost, duration_s, ran_s[-1], reference_m3_s, stretches)


def _reference_m3_s(rows: Sequence[TraceRow], given: float | None) -> float | None:
    """The flow at which dP is stated; None where the trace has no flow. Raises ``TraceError``."""
    if all(row.flow_m3_s is None for row in rows):
        return None
    if given is not None:
        return given
    flows = [flow for row in rows if row.running and (flow := row.flow_m3_s) and flow > 0.0]
    if not flows:
        raise TraceError("column `flow_m3s` shows no flow at all; remove it, or correct it")
    return median(flows[: max(1, int(len(flows) * _REFERENCE_PART))])


def _lowest(values: list[float]) -> float:
    return sorted(values)[int(len(values) * _LOWEST)]


def forecast_at(trace: LifeTrace, part: float, limit_pa: float) -> Forecast:
    """The forecast at ``part`` (0 to 1) of the running time, from what came before alone."""
    now_s = part * trace.running_s
    before = [stretch for stretch in trace.stretches if stretch[0] <= now_s]
    points = []
    for group in _stretches(before, now_s / _POINTS):
        hours = median(s for s, _ in group) / 3600.0
        points.append(Point(hours, median(pa for _, pa in group), len(group)))
    return forecast(points, now_s / 3600.0, limit_pa)


def reached_s(trace: LifeTrace, limit_pa: float) -> float | None:
    """Running time at which dP reached the limit: the first of five stretches whose median does;
    None where the trace ends before."""
    for n, (at_s, _) in enumerate(trace.stretches):
        if median(pa for _, pa in trace.stretches[n : n + _TOGETHER]) >= limit_pa:
            return at_s
    return None


def _normalised(row: TraceRow, reference_m3_s: float | None) -> float | None:
    if row.dp_pa is None or not row.running:
        return None
    if reference_m3_s is None:
        return row.dp_pa
    if row.flow_m3_s is None or row.flow_m3_s < _LEAST_FLOW * reference_m3_s:
        return None
    return at_flow(row.dp_pa, row.flow_m3_s, reference_m3_s)


def _stretches(
    readings: Sequence[tuple[float, float]], width_s: float
) -> Iterator[list[tuple[float, float]]]:
    """Those of equal width that hold any reading, in order."""
    for _, group in groupby(readings, key=lambda reading: int(reading[0] / width_s)):
        yield list(group)


def configure(parser: argparse.ArgumentParser) -> None:
    """The options of `dustcake life`."""
    add = parser.add_argument
    add("trace", type=Path, metavar="TRACE", help="the recorded trace (CSV or Parquet)")
    add(
        "--limit",
        type=_limit,
        required=True,
        metavar="PRESSURE",
        help="dP at which the filters are at their end, as 600Pa or 5inH2O",
    )
    add(
        "--at",
        type=between(0.0, 100.0, "a percentage"),
        nargs="+",
        default=[100.0],
        metavar="PERCENT",
        help="of the trace, after which to forecast (default: 100, its end)",
    )
    add(
        "--flow",
        type=between(0.0, 1e6, "a flow in m3/s"),
        metavar="M3_S",
        help="reference flow, m3/s (default: the median of the first tenth)",
    )
    add(
        "--cleaned",
        action="store_true",
        help="the filters were pulse-cleaned: take what cleaning left (the lowest tenth of dP in "
        "each stretch of time)",
    )
    add("--skip-bad-rows", action="store_true", help="leave out rows that cannot be used")
    add("--json", action="store_true", help="print one JSON object a line")


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
    bad_rows = BadRowReport(skip=arguments.skip_bad_rows)
    try:
        rows = read_rows(arguments.trace, bad_rows)
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
