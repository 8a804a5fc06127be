"""A picture of a simulated run: dP, flow, header pressure, the cake on each row, and alarms.

Needs matplotlib, from the `analysis` extra, and imports it only when something is drawn.
"""

from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING

from dustcake.core.setpoints import Setpoints
from dustcake.settings.extras import install_hint
from dustcake_lab.simulation.run import Curve, Curves
from dustcake_sim.events import Event
from dustcake_sim.scenario import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
    "_pa": "Pa",
    "_ma": "mA",
    "_c": "°C",
    "_s": "s",
}
"""What the names of an event's numbers end in, longest first."""


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


def _number(panel: "Axes", events: Sequence[Event]) -> None:
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


def words(event: Event) -> str:
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
