"""A run of the simulator: counts as in a replay, the plant's side, and a picture of it.

A picture needs matplotlib, from the `analysis` extra, and imports it only when something is drawn.
"""

from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dustcake.core.events import AlarmChanged, Event
from dustcake.core.inputs import Stamp
from dustcake.core.setpoints import Setpoints
from dustcake.settings.extras import install_hint
from dustcake.units import UNIT_OF_ENDING
from dustcake_lab.replay.listing import count_lines, counts
from dustcake_lab.replay.replay import Tally
from dustcake_sim.closed_loop import FIRST_UTC_S, ClosedLoop
from dustcake_sim.events import Event as ScenarioEvent
from dustcake_sim.scenario import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CAVEAT = "simulated: not a claim about any real collector"


class SimulatedRun:
    """A closed loop, and the tally of what happens in it."""

    def __init__(self, loop: ClosedLoop) -> None:
        self.loop = loop
        self.tally = Tally(first_utc_s=FIRST_UTC_S)

    def counted(self, events: Iterator[Event]) -> Iterator[Event]:
        """The same events, each taken into account. At their end the run is over."""
        for event in events:
            self.tally.count(event)
            yield event
        end_s = self.loop.t_s
        self.tally.samples = self.loop.samples
        self.tally.end(Stamp(end_s, FIRST_UTC_S + end_s))

    def plant(self) -> dict[str, Any]:
        """The plant's side of the summary: totals since the start, and its state at the end."""
        one = self.loop.field.collector
        state = one.state
        return {
            "dust_caught_kg": round(state.dust_in_kg, 3),
            "dust_emitted_kg": round(state.emitted_kg, 6),
            "drum_kg": round(state.drum_kg, 3),
            "air_used_kg": round(state.air_used_kg, 3),
            "air_leaked_kg": round(state.air_leaked_kg, 3),
            "two_valves_at_once": self.loop.field.outputs.counts.two_valves_at_once,
            "end_dp_pa": round(one.point.dp_pa, 2),
            "end_flow_m3_s": round(one.point.flow_m3_s, 4),
            "end_residual_drag_pa_s_m": [round(drag, 1) for drag in state.residual_drag_pa_s_m],
            "end_cake_kg_m2": [round(cake, 5) for cake in state.cake_kg_m2],
        }

    def summary(self) -> dict[str, Any]:
        """The last line of a listing for programs; named as in a replay where it is the same."""
        return {
            "event": "summary",
            "samples": self.tally.samples,
            **counts(self.tally),
            "plant": self.plant(),
            "notes": [CAVEAT],
        }

    def words(self) -> list[str]:
        """The summary for people."""
        plant = self.plant()
        lines = [
            "",
            f"samples          {self.tally.samples}",
            *count_lines(self.tally),
            f"dust caught      {plant['dust_caught_kg']:.1f} kg",
            f"pulse air        {plant['air_used_kg']:.1f} kg",
        ]
        if plant["dust_emitted_kg"] > 0.0:
            lines.append(f"dust let through {plant['dust_emitted_kg']:.3g} kg")
        return [*lines, f"note: {CAVEAT}"]


_MOST_BINS = 6000
_ACTIVE = ("unacknowledged", "acknowledged")
_MOST_ALARMS = 2000
"""Spans kept, so that an alarm that comes and goes for a year cannot fill the memory."""


class Curve:
    """A quantity over time: for each bin of time its first, lowest, highest and last value."""

    def __init__(self) -> None:
        self.first, self.low, self.high, self.last = (array("d") for _ in range(4))

    def take(self, value: float, new_bin: bool) -> None:
        """The value at present."""
        if new_bin:
            for each in (self.first, self.low, self.high, self.last):
                each.append(value)
        else:
            self.low[-1] = min(self.low[-1], value)
            self.high[-1] = max(self.high[-1], value)
            self.last[-1] = value

    def merge(self, groups: Sequence[slice]) -> None:
        """Make one bin of each group."""
        self.first = array("d", (self.first[each.start] for each in groups))
        self.low = array("d", (min(self.low[each]) for each in groups))
        self.high = array("d", (max(self.high[each]) for each in groups))
        self.last = array("d", (self.last[each.stop - 1] for each in groups))


@dataclass(slots=True)
class AlarmSpan:
    """When an alarm was active. `until_s` None: to the end of the run."""

    alarm: str
    since_s: float
    until_s: float | None = None


class Curves:
    """A record of a run. When there are too many bins, they become twice as long.

    Each bin keeps its extremes, so that a short peak of dP or the dip of a single pulse shows.
    """

    def __init__(self, rows: int) -> None:
        self.from_s = array("d")
        """For each bin, when it was first sampled, and in `to_s` last."""
        self.to_s = array("d")
        self.dp_pa = Curve()
        self.flow_m3_s = Curve()
        self.header_pa = Curve()
        self.cake_kg_m2 = [Curve() for _ in range(rows)]
        self.alarms: list[AlarmSpan] = []
        self._bin_s = 1.0
        self._ends_s = 0.0

    def watch(self, loop: ClosedLoop) -> None:
        """Take in the present moment of a run."""
        one, t_s = loop.field.collector, loop.t_s
        new_bin = t_s >= self._ends_s
        if new_bin:
            self.from_s.append(t_s)
            self.to_s.append(t_s)
            self._ends_s = (t_s // self._bin_s + 1.0) * self._bin_s
        else:
            self.to_s[-1] = t_s
        self.dp_pa.take(one.point.dp_pa, new_bin)
        self.flow_m3_s.take(one.point.flow_m3_s, new_bin)
        self.header_pa.take(one.state.header_gauge_pa, new_bin)
        for curve, cake in zip(self.cake_kg_m2, one.state.cake_kg_m2, strict=True):
            curve.take(cake, new_bin)
        if len(self.from_s) >= _MOST_BINS:
            self._lengthen_bins()

    def _lengthen_bins(self) -> None:
        while len(self.from_s) >= _MOST_BINS:
            self._bin_s *= 2.0
            numbers = [t_s // self._bin_s for t_s in self.from_s]
            starts = [n for n, at in enumerate(numbers) if n == 0 or at != numbers[n - 1]]
            ends = [*starts[1:], len(numbers)]
            groups = [slice(start, end) for start, end in zip(starts, ends, strict=True)]
            self.from_s = array("d", (self.from_s[each.start] for each in groups))
            self.to_s = array("d", (self.to_s[each.stop - 1] for each in groups))
            for curve in (self.dp_pa, self.flow_m3_s, self.header_pa, *self.cake_kg_m2):
                curve.merge(groups)
        self._ends_s = (self.to_s[-1] // self._bin_s + 1.0) * self._bin_s

    def note(self, event: Event) -> None:
        """Take in an event of the run."""
        body = event.body
        if not isinstance(body, AlarmChanged):
            return
        same = [each for each in self.alarms if each.alarm == body.alarm]
        under_way = [each for each in same if each.until_s is None]
        if body.state in _ACTIVE:
            if not under_way and len(self.alarms) < _MOST_ALARMS:
                self.alarms.append(AlarmSpan(body.alarm, event.at.mono_s))
        else:
            for each in under_way:
                each.until_s = event.at.mono_s


_DAY_S, _HOUR_S = 86_400.0, 3600.0
_WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_LINE, _FAINT, _ALARM = "#20618f", "#9a9a9a", "#b3402a"
_LINE_LETTERS = 130
"""About as many of a small letter as stand side by side below the curves."""
_UNITS = {
    "_m3_s_pa": "m³/(s Pa)",
    "_pa_s_m": "Pa s/m",
    "_per_day": "a day",
    "_kg_s": "kg/s",
    "_mm2": "mm²",
    "_c": "°C",
    **UNIT_OF_ENDING,
}
"""What the names of an event's numbers end in; the first that fits."""


class PlotError(Exception):
    """Why there is no picture, and the remedy."""


def require_matplotlib() -> None:
    """Raises PlotError where there is no matplotlib."""
    if find_spec("matplotlib") is None:
        raise PlotError(
            f"--plot draws with matplotlib, of {install_hint('analysis')}; install it, or leave "
            "--plot out"
        )


def draw(curves: Curves, path: Path, scenario: Scenario, setpoints: Setpoints) -> None:
    """Draw the curves into `path`; its ending names the format. Raises PlotError."""
    require_matplotlib()
    from matplotlib import colormaps
    from matplotlib.figure import Figure

    end_s = curves.to_s[-1]
    alarms = list(dict.fromkeys(each.alarm for each in curves.alarms))
    happened = [each for each in scenario.event if each.at_s <= end_s]
    lines_below = [
        f"{n}  {_clock(each.at_s)}  {words(each)}" for n, each in enumerate(happened, start=1)
    ]
    columns = max(1, _LINE_LETTERS // max(map(len, lines_below), default=1))
    lines = ceil(len(lines_below) / columns)
    heights = [3.0, 1.4, 1.6, 2.2, 0.3 + 0.25 * len(alarms), 0.2 * lines]
    used = [
        height
        for height, drawn in zip(heights, (1, 1, 1, 1, alarms, happened), strict=True)
        if drawn
    ]
    figure = Figure(figsize=(12.0, 1.0 + sum(used)), layout="constrained")
    figure.suptitle(f"{scenario.title} (simulated)", x=0.01, ha="left", fontsize="x-large")
    panels = list(figure.subplots(len(used), 1, height_ratios=used, squeeze=False)[:, 0])
    dp, flow, header, cake = panels[:4]

    cleaning, limits = setpoints.cleaning, setpoints.limits
    levels = {
        "low": cleaning.low_pa,
        "high": cleaning.high_pa,
        "replacement": limits.replacement_pa,
    }
    _curve(dp, curves, curves.dp_pa, "dP, Pa")
    _levels(dp, levels)
    dp.set_ylim(bottom=min(0.0, *curves.dp_pa.low))
    _curve(flow, curves, curves.flow_m3_s, "flow, m³/s")
    _curve(header, curves, curves.header_pa, "header, bar", 1e-5)
    if setpoints.header is not None:
        _levels(header, {"needed": setpoints.header_limits.min_pa}, 1e-5)
    shades = colormaps["viridis"].resampled(len(curves.cake_kg_m2) + 1)
    for number, row in enumerate(curves.cake_kg_m2):
        _curve(cake, curves, row, "cake, kg/m²", color=shades(number), label=f"row {number + 1}")
    for panel in (flow, header, cake):
        panel.set_ylim(bottom=0.0)
    cake.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize="small")
    timed = panels[:5] if alarms else panels[:4]
    if alarms:
        _alarms(timed[-1], curves, alarms)
    if happened:
        _number(dp, happened)
        panels[-1].set_axis_off()
        for number, line in enumerate(lines_below):
            column, place = divmod(number, lines)
            at = (column / columns, 1.0 - (place + 0.5) / lines)
            panels[-1].text(*at, line, transform=panels[-1].transAxes, va="center", size="small")
    _time(timed, end_s)
    figure.align_ylabels(panels[:4])
    try:
        figure.savefig(path, dpi=120)
    except (OSError, ValueError) as error:
        raise PlotError(
            f"--plot {path}: {error}; name a writable file that ends in .png, .svg or .pdf"
        ) from None


def _curve(
    panel: "Axes",
    curves: Curves,
    curve: Curve,
    name: str,
    scale: float = 1.0,
    color: object = _LINE,
    label: str | None = None,
) -> None:
    """Through first and last of each bin, with a stroke over its extremes where it has any."""
    times: list[float] = []
    values: list[float] = []
    bins = (curves.from_s, curves.to_s, curve.first, curve.low, curve.high, curve.last)
    for from_s, to_s, first, low, high, last in zip(*bins, strict=True):
        middle_s = (from_s + to_s) / 2.0
        times += (from_s, middle_s, middle_s, to_s)
        values += (first, low, high, last) if first <= last else (first, high, low, last)
    # Over weeks the strokes stand side by side; they must let those behind them through.
    alpha = 1.0 if curves.to_s[-1] <= 14 * _DAY_S else 0.4
    shown = [scale * value for value in values]
    panel.plot(times, shown, linewidth=0.8, color=color, alpha=alpha, label=label)
    panel.set_ylabel(name)
    panel.grid(axis="both", color="0.9", linewidth=0.6)
    panel.spines[["top", "right"]].set_visible(False)


def _levels(panel: "Axes", levels: Mapping[str, float | None], scale: float = 1.0) -> None:
    for name, level in levels.items():
        if level is None:
            continue
        panel.axhline(scale * level, linewidth=0.8, linestyle=(0, (4, 3)), color=_FAINT)
        panel.annotate(
            f"{name} {scale * level:g}",
            (1.005, scale * level),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize="small",
            color="0.35",
        )


def _number(panel: "Axes", events: Sequence[ScenarioEvent]) -> None:
    """When the scenario did something, by the numbers under which it is listed below."""
    for number, event in enumerate(events, start=1):
        panel.axvline(event.at_s, linewidth=0.8, color="0.6", linestyle=":")
        panel.annotate(
            str(number),
            (event.at_s, 1.01),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
            fontsize="small",
            color="0.35",
        )


def words(event: ScenarioEvent) -> str:
    """An event of a scenario in a few words, as `valve 3 stuck closed`."""
    fields = event.model_dump(mode="json", exclude_defaults=True, exclude={"at_s", "kind"})
    lines_below = [_field(event.kind, name, value) for name, value in fields.items()]
    return " ".join([event.kind.replace("_", " "), ", ".join(lines_below)]).strip()


def _field(kind: str, name: str, value: object) -> str:
    if isinstance(value, str):
        return "mended" if value == "none" else value.replace("_", " ")
    if isinstance(value, bool):
        shown = "yes" if value else "no"
    else:
        shown = f"{value:g}" if isinstance(value, float) else str(value)
    suffix = next((each for each in _UNITS if name.endswith(each)), "")
    bare = name.removesuffix(suffix).replace("_", " ")
    unit = f" {_UNITS[suffix]}" if suffix else ""
    return f"{shown}{unit}" if bare in (kind, "factor") else f"{bare} {shown}{unit}"


def _clock(t_s: float) -> str:
    day, second = divmod(round(t_s), 86_400)
    name = _WEEK[day % 7] if day < 7 else f"day {day}"
    return f"{name} {second // 3600:02}:{second % 3600 // 60:02}"


def _alarms(panel: "Axes", curves: Curves, names: Sequence[str]) -> None:
    end_s = curves.to_s[-1]
    for each in curves.alarms:
        span = (each.since_s, (end_s if each.until_s is None else each.until_s) - each.since_s)
        panel.broken_barh([span], (names.index(each.alarm) - 0.35, 0.7), color=_ALARM)
    panel.set_yticks(range(len(names)), [name.replace("_", " ") for name in names])
    panel.set_ylim(len(names) - 0.4, -0.6)
    panel.set_ylabel("alarms")
    panel.grid(axis="x", color="0.9", linewidth=0.6)
    panel.spines[["top", "right"]].set_visible(False)


def _time(panels: "Sequence[Axes]", end_s: float) -> None:
    """Scenario time begins at midnight of a Monday: clock, weekday, or number of the day."""
    for panel in panels:
        panel.set_xlim(0.0, end_s)
        if end_s <= 2 * _DAY_S:
            usual_s = (60.0, 300.0, 900.0, _HOUR_S, 3 * _HOUR_S, 6 * _HOUR_S)
            every_s = next((each_s for each_s in usual_s if end_s <= 12 * each_s), usual_s[-1])
            at_s = [every_s * n for n in range(int(end_s / every_s) + 1)]
            shown = [_clock(each_s).split()[1] for each_s in at_s]
        elif end_s <= 14 * _DAY_S:
            days = range(int(end_s / _DAY_S) + 1)
            at_s, shown = [_DAY_S * day for day in days], [_WEEK[day % 7] for day in days]
            quarters = range(int(4 * end_s / _DAY_S) + 1)
            panel.set_xticks([_DAY_S / 4 * n for n in quarters], minor=True)
        else:
            days = range(0, int(end_s / _DAY_S) + 1, max(7, 7 * round(end_s / _DAY_S / 84)))
            at_s, shown = [_DAY_S * day for day in days], [str(day) for day in days]
        panel.set_xticks(at_s, shown if panel is panels[-1] else [])
    if end_s > 14 * _DAY_S:
        panels[-1].set_xlabel("day")
