"""Filter life from a recorded trace: of filters that load without being cleaned, or of a residual.

The estimator is the daemon's own (``core.filter_life.forecast``), with other points.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING

from dustcake.core.filter_life.forecast import Forecast, Point, at_flow, forecast
from dustcake.core.filter_life.trend import median
from dustcake.core.inputs import PollCompleted
from dustcake.core.record import record
from dustcake.core.signals import Measured
from dustcake_lab.traces.columns import PARQUET_ENDINGS, BadRow, TraceError
from dustcake_lab.traces.files import open_any
from dustcake_lab.traces.rows import open_trace

if TYPE_CHECKING:
    from dustcake_lab.traces.samples import Columns

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


def read_rows(path: Path) -> Iterator[TraceRow | BadRow]:
    """The rows of a trace, CSV or Parquet. Raises ``TraceError``."""
    if path.suffix.lower() in PARQUET_ENDINGS:
        with open_any(path) as parquet:
            for sample in parquet.samples():
                if isinstance(sample, BadRow):
                    yield sample
                elif isinstance(sample, PollCompleted):
                    yield _row(sample, None)
                else:
                    yield from _rows(sample)
        return
    with open_trace(path) as trace:
        # Row by row: what cannot be read in columns comes as polls, and those carry no flow.
        for each in trace.polls():
            yield each if isinstance(each, BadRow) else _row(each, trace.flow_m3s)


def _row(poll: PollCompleted, flow_m3s: float | None) -> TraceRow:
    dp_pa = poll.dp.pa if isinstance(poll.dp, Measured) else None
    return TraceRow(poll.at.mono_s, dp_pa, flow_m3s, poll.contacts.blower_running is not False)


def _rows(columns: "Columns") -> Iterator[TraceRow]:
    flows = columns.flow_m3s
    for i in range(len(columns)):
        flow_m3s = None if flows is None or isnan(flows[i]) else float(flows[i])
        yield _row(columns.poll(i), flow_m3s)


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
    known = any(row.flow_m3_s is not None for row in rows)
    flows = [row.flow_m3_s for row in rows if row.running and (row.flow_m3_s or 0.0) > 0.0]
    if known and reference_m3_s is None:
        if not flows:
            raise TraceError("column `flow_m3s` shows no flow at all; remove it, or correct it")
        first = [flow for flow in flows[: max(1, int(len(flows) * _REFERENCE_PART))] if flow]
        reference_m3_s = median(first)
    readings: list[tuple[float, float]] = []
    running_s, lost = 0.0, 0
    for row, following in zip(rows, [*rows[1:], None], strict=True):
        dp_pa = _normalised(row, reference_m3_s if known else None)
        if dp_pa is None:
            lost += 1
        else:
            readings.append((running_s, dp_pa))
        if following is not None and row.running:
            running_s += following.t_s - row.t_s
    if running_s <= 0.0 or not readings:
        raise TraceError("no dP with flow over any length of time; nothing can be said of it")
    stretches = []
    width_s = running_s / (_CLEANED_STRETCHES if cleaned else _STRETCHES)
    for stretch in _stretches(readings, width_s):
        values = sorted(pa for _, pa in stretch)
        pa = values[int(len(values) * _LOWEST)] if cleaned else median(values)
        stretches.append((median([s for s, _ in stretch]), pa))
    return LifeTrace(
        len(rows),
        lost,
        rows[-1].t_s - rows[0].t_s,
        running_s,
        reference_m3_s if known else None,
        stretches,
    )


def forecast_at(trace: LifeTrace, part: float, limit_pa: float) -> Forecast:
    """The forecast at ``part`` (0 to 1) of the running time, from what came before alone."""
    now_s = part * trace.running_s
    before = [stretch for stretch in trace.stretches if stretch[0] <= now_s]
    points = []
    for group in _stretches(before, now_s / _POINTS):
        hours = median([s for s, _ in group]) / 3600.0
        points.append(Point(hours, median([pa for _, pa in group]), len(group)))
    return forecast(points, now_s / 3600.0, limit_pa)


def reached_s(trace: LifeTrace, limit_pa: float) -> float | None:
    """Running time at which dP reached the limit: the first of five stretches whose median does;
    None where the trace ends before."""
    stretches = trace.stretches
    for i in range(len(stretches)):
        near = stretches[i : i + _TOGETHER]
        if median([pa for _, pa in near]) >= limit_pa:
            return near[0][0]
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
    group: list[tuple[float, float]] = []
    place = 0
    for reading in readings:
        here = int(reading[0] / width_s)
        if group and here != place:
            yield group
            group = []
        place = here
        group.append(reading)
    if group:
        yield group
