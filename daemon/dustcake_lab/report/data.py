"""What a report shows, taken out of a trace and a study; how it is drawn is not known here."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dustcake.core.alarms.names import AlarmState
from dustcake.core.events import AlarmChanged, Event
from dustcake.core.filter_life.curves import theil_sen
from dustcake.publish.wording import spoken
from dustcake_lab.fit.ageing import Ageing
from dustcake_lab.fit.data import Clock, Samples
from dustcake_lab.fit.estimate import Interval
from dustcake_lab.fit.trace import FittedTrace
from dustcake_lab.study.candidates import averaged, board_interval_s
from dustcake_lab.study.recommendation import Recommendation
from dustcake_lab.study.results import HEADINGS, SettingsRow, cells
from dustcake_lab.study.study import Study, curves
from dustcake_lab.traces.columns import Recorded
from dustcake_lab.traces.samples import Floats

_DAY_S = 86_400.0
_POINTS = 2000
_FEWEST_RESIDUALS, _MOST_RESIDUALS = 8, 300
_APART = 4.0
"""So many pulse intervals without a pulse, and a cleaning is over."""


@dataclass(slots=True)
class ReportData:
    """Times in days from the first row, pressures in Pa. ``low``, ``high``: of dP, over each short
    stretch; ``cleanings``: begin and end of each; ``cycle_h``: hours of running from one to the
    next, at the beginning of it; ``residual``: dP after each; ``residual_pa_per_day``: how it goes,
    by the median of the slopes of all pairs (Theil, Sen), None where there are too few;
    ``fitted_at``,
    ``fitted``, ``rise``: what no pulse takes off, as fitted, and by how much that rises in 1000
    hours of running; empty and None where the trace does not show it; ``air_m3``: free
    air of each day's pulses; ``by_hour``, ``running``: load of each hour of the day over the mean,
    and share of it that the blower ran; ``clock``: whose hours of the day are meant; ``shown``:
    what was simulated, by name; ``figures``: of each line of a table its name and one text for each
    of those; ``listed``: headings and lines of the table of settings."""

    title: str
    clock: Clock
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
    residual_pa_per_day: float | None
    fitted_at: Floats
    fitted: Floats
    rise: Interval | None
    air_day: Floats
    air_m3: Floats
    by_hour: Floats
    running: Floats
    shown: list[tuple[str, str]]
    what_if: list[tuple[str, Floats, Floats]]
    energy: list[tuple[str, float, float]]
    figures: list[tuple[str, list[str]]]
    listed: list[tuple[str, ...]]
    text: list[str]

    def moments(self, days: Floats | list[float]) -> Floats | npt.NDArray[np.datetime64]:
        """Where on an axis: times of the clock where the trace has them, days from the first row
        else."""
        at = np.asarray(days, dtype=np.float64)
        if self.clock.start_utc_s is None:
            return at
        milliseconds = (self.clock.wall_s(at * _DAY_S) * 1000.0).round().astype("timedelta64[ms]")
        return np.datetime64(0, "ms") + milliseconds

    @property
    def axis(self) -> str:
        """What ``moments`` are, for people."""
        return "days from the first row" if self.clock.start_utc_s is None else self.clock.name


def report_data(
    title: str,
    read: FittedTrace,
    events: list[Event],
    study: Study,
    made: Recommendation,
    listed: list[SettingsRow],
) -> ReportData:
    """All that the report needs. ``events``: of a replay of the trace with today's settings;
    ``listed``: the settings worth showing."""
    samples, recorded, setpoints = read.samples, read.recorded, study.setpoints
    at, low, high = _envelope(samples)
    pulsing = setpoints.pulsing
    begins, ends = _cleanings(recorded, board_interval_s(pulsing) or pulsing.interval_s)
    residual_at, residual = _residuals(samples, ends)
    ageing = study.collector.ageing
    fitted_at, fitted = _fitted(ageing, samples)
    day, air_m3 = _air(recorded, samples, study.prices.air_m3)
    shown = {"today": 0} if made.best is None else {"today": 0, "recommended": made.best}
    means = {name: averaged(study.results[n]) for name, n in shown.items()}
    weighed = [figures(study, made, n) for n in shown.values()]
    return ReportData(
        title=title,
        clock=samples.clock,
        at=at / _DAY_S,
        low=low,
        high=high,
        set_points_pa={
            "low": setpoints.cleaning.low_pa,
            "high": setpoints.cleaning.high_pa,
            "filter replacement": setpoints.limits.replacement_pa,
        },
        cleanings=list(zip((begins / _DAY_S).tolist(), (ends / _DAY_S).tolist(), strict=True)),
        alarms=list(_raised(events)),
        cycle_at=begins[1:] / _DAY_S,
        cycle_h=cycles_h(samples, begins),
        residual_at=residual_at / _DAY_S,
        residual=residual,
        residual_pa_per_day=_trend(residual_at / _DAY_S, residual),
        fitted_at=fitted_at,
        fitted=fitted,
        rise=None if isinstance(ageing, str) else ageing.rise,
        air_day=day,
        air_m3=air_m3,
        by_hour=study.collector.by_hour,
        running=study.collector.running_mean,
        shown=[(name, str(study.candidates[n])) for name, n in shown.items()],
        what_if=[(name, *curves(study, n)) for name, n in shown.items()],
        energy=[(name, mean.fan_kwh, mean.air_kwh) for name, mean in means.items()],
        figures=[(name, [each[name] for each in weighed]) for name in weighed[0]],
        listed=[HEADINGS, *(cells(row) for row in listed)],
        text=made.text,
    )


def _raised(events: list[Event]) -> Iterator[tuple[float, str]]:
    """When which alarm was raised."""
    for event in events:
        body = event.body
        if isinstance(body, AlarmChanged) and body.state == AlarmState.UNACKNOWLEDGED:
            yield event.at.mono_s / _DAY_S, spoken(body.alarm)


def _trend(days: Floats, values_pa: Floats) -> float | None:
    """Pa a day; None where a few cleanings would make a trend of their scatter."""
    if len(days) < _FEWEST_RESIDUALS:
        return None
    step = max(1, len(days) // _MOST_RESIDUALS)
    return theil_sen(days[::step].tolist(), values_pa[::step].tolist())[0]


def _envelope(samples: Samples) -> tuple[Floats, Floats, Floats]:
    """Least and greatest dP of each stretch, so that no short peak is lost."""
    size = max(1, len(samples.t_s) // _POINTS)
    count = len(samples.t_s) // size
    dp = samples.dp_pa[: count * size].reshape(count, size)
    known = ~np.isnan(dp).all(axis=1)
    at: Floats = samples.t_s[: count * size].reshape(count, size).mean(axis=1)
    return at[known], np.nanmin(dp[known], axis=1), np.nanmax(dp[known], axis=1)


def _cleanings(recorded: Recorded, interval_s: float) -> tuple[Floats, Floats]:
    """When the first and the last pulse of each came."""
    at_s = np.array([pulse.by_s for pulse in recorded.pulses])
    first = np.diff(at_s, prepend=-np.inf) > _APART * interval_s
    return at_s[first], at_s[np.roll(first, -1)]


def cycles_h(samples: Samples, begins_s: Floats) -> Floats:
    """Hours of running from each cleaning to the next: nights and weekends load no filter."""
    return np.diff(np.interp(begins_s, samples.t_s, samples.run_s)) / 3600.0


def _residuals(samples: Samples, ends_s: Floats) -> tuple[Floats, Floats]:
    """Mean dP from 5 s to 35 s after each cleaning, where it was read with the blower running."""
    begin = np.searchsorted(samples.t_s, ends_s + 5.0)
    end = np.searchsorted(samples.t_s, ends_s + 35.0)
    good = samples.good
    found = [
        (float(at_s), float(samples.dp_pa[a:b][good[a:b]].mean()))
        for at_s, a, b in zip(ends_s, begin, end, strict=True)
        if good[a:b].any()
    ]
    times_s, values = np.array(found, dtype=np.float64).reshape(-1, 2).T
    return times_s, values


def _fitted(ageing: Ageing | str, samples: Samples) -> tuple[Floats, Floats]:
    if isinstance(ageing, str):
        return np.zeros(0), np.zeros(0)
    at_s: Floats = np.interp(ageing.hours * 3600.0, samples.run_s, samples.t_s)
    return at_s / _DAY_S, ageing.residual_pa


def _air(recorded: Recorded, samples: Samples, air_m3: float) -> tuple[Floats, Floats]:
    days = max(1, int(samples.t_s[-1] / 86_400 + 0.9))
    fired = np.zeros(days)
    for pulse in recorded.pulses:
        fired[min(days - 1, int(pulse.by_s // 86_400))] += pulse.count
    at: Floats = np.arange(days, dtype=np.float64) + 0.5
    return at, fired * air_m3


def figures(study: Study, made: Recommendation, n: int) -> dict[str, str]:
    """What a manager weighs, of one candidate: means over the sets of parameters, the worst of them
    where it says highest or least; and how long the filters would last."""
    results, flow_m3s = study.results[n], study.prices.flow_m3s
    mean = averaged(results)
    due = "Blower hours until filters are due"
    shown = {
        "Mean dP": f"{mean.mean_dp_pa:.0f} Pa",
        "Highest dP": f"{max(each.highest_dp_pa for each in results):.0f} Pa",
        "Flow at the hood, mean": f"{flow_m3s * mean.mean_flow:.2f} m3/s",
        "Flow at the hood, least": (
            f"{flow_m3s * min(each.least_flow for each in results):.2f} m3/s"
        ),
        "Pulses of each row (they wear filters and valves)": (
            f"{mean.pulses / study.collector.rows:.0f}"
        ),
        "Energy of the fan for the filters' dP": f"{mean.fan_kwh:.0f} kWh",
        "Energy of compressed air for pulses": f"{mean.air_kwh:.1f} kWh",
    }
    if isinstance(made.lives, str):
        return {**shown, due: "not known"}
    life = made.lives[n]
    return {
        **shown,
        due: str(life.either),
        "... if they age by running hours": str(life.by_hours),
        "... if they age by pulses": str(life.by_pulses),
    }
