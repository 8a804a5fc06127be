"""What a report shows, taken out of a trace and a study; how it is drawn is not known here."""

from dataclasses import dataclass

import numpy as np

from dustcake.analysis.columns import Floats
from dustcake.analysis.fit_data import Samples
from dustcake.analysis.study import Study, curves
from dustcake.analysis.study_verdict import Verdict, named
from dustcake.analysis.trace_columns import Recorded
from dustcake.core.alarm_table import AlarmState
from dustcake.core.events import AlarmChanged, Event
from dustcake.core.setpoints import Setpoints

_POINTS = 2000
_APART = 4.0
"""So many pulse intervals without a pulse, and a cleaning is over."""


@dataclass(slots=True)
class ReportData:
    """Times in days from the first row, pressures in Pa. ``low``, ``high``: of dP, over each short
    stretch; ``cleanings``: begin and end of each; ``cycle_h``: hours from one to the next, at the
    beginning of it; ``residual``: dP after each; ``air_m3``: free air of each day's pulses."""

    title: str
    start_utc_s: float | None
    at: Floats
    low: Floats
    high: Floats
    set_points_pa: dict[str, float]
    cleanings: list[tuple[float, float]]
    alarms: list[tuple[float, str]]
    cycle_at: Floats
    cycle_h: Floats
    residual_at: Floats
    residual: Floats
    air_day: Floats
    air_m3: Floats
    what_if: list[tuple[str, Floats, Floats]]
    energy: list[tuple[str, float, float]]
    text: list[str]


def report_data(
    title: str,
    samples: Samples,
    recorded: Recorded,
    events: list[Event],
    setpoints: Setpoints,
    study: Study,
    made: Verdict,
) -> ReportData:
    """All that the report needs. ``events``: of a replay of the trace with today's settings."""
    at, low, high = _envelope(samples)
    runs = _cleanings(recorded, setpoints.pulsing.interval_s)
    begins = np.array([begin for begin, _ in runs])
    ends = np.array([end for _, end in runs])
    residual_at, residual = _residuals(samples, ends)
    day, air_m3 = _air(recorded, samples, study.prices.air_m3)
    shown = [0] if made.best is None else [0, made.best]
    names = ["today", "recommended"]
    return ReportData(
        title=title,
        start_utc_s=samples.start_utc_s,
        at=at / 86_400.0,
        low=low,
        high=high,
        set_points_pa={
            "low": setpoints.cleaning.low_pa,
            "high": setpoints.cleaning.high_pa,
            "filter replacement": setpoints.limits.replacement_pa,
        },
        cleanings=[(begin / 86_400.0, end / 86_400.0) for begin, end in runs],
        alarms=[
            (event.at.mono_s / 86_400.0, event.body.alarm.replace("_", " "))
            for event in events
            if isinstance(event.body, AlarmChanged)
            and event.body.state == AlarmState.UNACKNOWLEDGED
        ],
        cycle_at=begins[1:] / 86_400.0,
        cycle_h=np.diff(begins) / 3600.0,
        residual_at=residual_at / 86_400.0,
        residual=residual,
        air_day=day,
        air_m3=air_m3,
        what_if=[
            (f"{name}: {named(study.candidates[n])}", *curves(study, n))
            for name, n in zip(names, shown, strict=False)
        ],
        energy=[
            (
                name,
                float(np.mean([each.fan_kwh for each in study.outcomes[n]])),
                float(np.mean([each.air_kwh for each in study.outcomes[n]])),
            )
            for name, n in zip(names, shown, strict=False)
        ],
        text=made.text,
    )


def _envelope(samples: Samples) -> tuple[Floats, Floats, Floats]:
    """Least and greatest dP of each stretch, so that no short peak is lost."""
    size = max(1, len(samples.t_s) // _POINTS)
    count = len(samples.t_s) // size
    dp = samples.dp_pa[: count * size].reshape(count, size)
    known = ~np.isnan(dp).all(axis=1)
    at: Floats = samples.t_s[: count * size].reshape(count, size).mean(axis=1)
    return at[known], np.nanmin(dp[known], axis=1), np.nanmax(dp[known], axis=1)


def _cleanings(recorded: Recorded, interval_s: float) -> list[tuple[float, float]]:
    runs: list[tuple[float, float]] = []
    for pulse in recorded.pulses:
        if runs and pulse.by_s - runs[-1][1] <= _APART * interval_s:
            runs[-1] = (runs[-1][0], pulse.by_s)
        else:
            runs.append((pulse.by_s, pulse.by_s))
    return runs


def _residuals(samples: Samples, ends_s: Floats) -> tuple[Floats, Floats]:
    """Mean dP from 5 s to 35 s after each cleaning, where it was read with the blower running."""
    begin = np.searchsorted(samples.t_s, ends_s + 5.0)
    end = np.searchsorted(samples.t_s, ends_s + 35.0)
    good = samples.running & ~np.isnan(samples.dp_pa)
    found = [
        (float(at_s), float(samples.dp_pa[a:b][good[a:b]].mean()))
        for at_s, a, b in zip(ends_s, begin, end, strict=True)
        if good[a:b].any()
    ]
    if not found:
        return np.zeros(0), np.zeros(0)
    times, values = zip(*found, strict=True)
    return np.array(times), np.array(values)


def _air(recorded: Recorded, samples: Samples, air_m3: float) -> tuple[Floats, Floats]:
    days = max(1, int(samples.t_s[-1] / 86_400 + 0.9))
    fired = np.zeros(days)
    for pulse in recorded.pulses:
        fired[min(days - 1, int(pulse.by_s // 86_400))] += pulse.count
    at: Floats = np.arange(days, dtype=np.float64) + 0.5
    return at, fired * air_m3
