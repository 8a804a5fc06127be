"""The report of a study as one picture, and as one HTML file that needs nothing else.

The page has no script, no font and no network; its plots are SVG, each with its content in words,
so that it prints and is read aloud.
"""

import math
import re
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from html import escape
from io import StringIO
from pathlib import Path
from string import Template
from textwrap import fill

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from dustcake.core.filter_life.forecast import CONFIDENCE
from dustcake_lab.report.data import ReportData

_BLUE, _ORANGE, _GREY, _RED = "#2a6f97", "#c26f1a", "#808891", "#b3261e"


def write_png(data: ReportData, path: Path) -> None:
    """All plots in one picture. Raises OSError, and ValueError where the ending names none."""
    one_picture(data).savefig(path, dpi=110)


def one_picture(data: ReportData) -> Figure:
    """All plots in one figure, with the table of today's and the recommended settings."""
    figure = Figure(figsize=(11.0, 13.0), layout="constrained")
    figure.suptitle(f"{data.title}\n{fill(data.text[0], 110)}", fontsize=11, ha="center")
    axes = figure.subplot_mosaic(
        [["dp", "dp"], ["cycle", "residual"], ["air", "energy"], ["what_if", "figures"]],
        height_ratios=[1.5, 1, 1, 1.2],
    )
    _dp(axes["dp"], data)
    _cycle(axes["cycle"], data)
    _residual(axes["residual"], data)
    _air(axes["air"], data)
    _energy(axes["energy"], data)
    _titled(axes["energy"], "Energy in 1000 h (simulated)")
    _what_if(axes["what_if"], data)
    _titled(axes["what_if"], "What if: two days (simulated)")
    _figures(axes["figures"], data)
    for each in axes.values():
        if each.get_legend_handles_labels()[0]:
            # Beside the title, where it hides nothing.
            each.legend(
                loc="lower right",
                bbox_to_anchor=(1.0, 1.0),
                ncols=3,
                fontsize=8,
                frameon=False,
                borderaxespad=0.1,
            )
    return figure


def recorded_svg(data: ReportData, size_inches: tuple[float, float]) -> str:
    """What was recorded, one plot below the other."""
    figure = Figure(figsize=size_inches, layout="constrained")
    dp, cycle, residual, air = figure.subplots(4, 1, sharex=True, height_ratios=[2, 1, 1, 1])
    _dp(dp, data)
    _cycle(cycle, data)
    _residual(residual, data)
    _air(air, data)
    for each in (dp, cycle, residual):
        each.set_xlabel("")
    return _svg(figure)


def _plotted(draw: Callable[[Axes, ReportData], None], data: ReportData) -> str:
    """One plot as wide as a phone: beside others on a larger screen."""
    figure = Figure(figsize=(4.4, 3.0), layout="constrained")
    draw(figure.subplots(), data)
    return _svg(figure)


def _svg(figure: Figure) -> str:
    """An SVG to be put into a page: with text as text, and nothing named twice on that page."""
    if any(each.get_legend_handles_labels()[0] for each in figure.axes):
        wide = figure.get_figwidth() > 6.0
        figure.legend(loc="outside lower left", ncols=4 if wide else 2, frameon=False, fontsize=9)
    out = StringIO()
    salt = repr([axes.get_title(loc="left") for axes in figure.axes]) + repr(figure.get_figwidth())
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": salt}):
        figure.savefig(out, format="svg", metadata={"Date": None})
    svg = re.sub(r'<g id="[^"]*"', "<g", out.getvalue())
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    return svg[svg.index("<svg") :].replace("<svg", '<svg aria-hidden="true"', 1)


def _titled(axes: Axes, title: str) -> None:
    axes.set_title(title, loc="left", fontsize=11)


def _over_time(axes: Axes, data: ReportData, title: str, unit: str) -> None:
    """An axis from the first row to the last, with dates where they are known."""
    _titled(axes, title)
    axes.set_ylabel(unit)
    axes.set_xlabel(data.axis)
    if data.clock.start_utc_s is not None:
        locator = AutoDateLocator(minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    if len(data.at):
        axes.plot(data.moments([float(data.at[0]), float(data.at[-1])]), [math.nan] * 2)


def _dp(axes: Axes, data: ReportData) -> None:
    _over_time(axes, data, "dP as recorded, with cleaning and alarms", "Pa")
    at = data.moments(data.at)
    axes.fill_between(at, data.low, data.high, color=_BLUE, alpha=0.3)
    axes.plot(at, data.high, linewidth=0.6, color=_BLUE)
    for name, level in data.set_points_pa.items():
        axes.axhline(level, linewidth=0.7, linestyle="--", color=_GREY)
        axes.annotate(
            name, (0.005, level), xycoords=("axes fraction", "data"), fontsize=8, va="bottom"
        )
    top = float(data.high.max()) if len(data.high) else 1.0
    begins = data.moments([begin for begin, _ in data.cleanings])
    axes.plot(begins, [-0.03 * top] * len(begins), "|", color=_ORANGE, label="cleaning")
    if data.alarms:
        raised = data.moments([at_days for at_days, _ in data.alarms])
        axes.plot(raised, [1.03 * top] * len(raised), "v", color=_RED, label="alarm raised")


def _cycle(axes: Axes, data: ReportData) -> None:
    _over_time(axes, data, "Cycle time, in running hours", "hours")
    axes.plot(data.moments(data.cycle_at), data.cycle_h, ".", color=_BLUE)


def _residual(axes: Axes, data: ReportData) -> None:
    _over_time(axes, data, "Residual dP after each cleaning", "Pa")
    axes.plot(data.moments(data.residual_at), data.residual, ".", color=_BLUE)
    if len(data.fitted):
        name = "what no pulse takes off, as fitted"
        axes.plot(data.moments(data.fitted_at), data.fitted, ".-", color=_ORANGE, label=name)


def _air(axes: Axes, data: ReportData) -> None:
    _over_time(axes, data, "Compressed air of each day's pulses", "m3 free air")
    axes.bar(data.moments(data.air_day), data.air_m3, color=_BLUE)


def _hours(axes: Axes, data: ReportData) -> None:
    """Load and running by the hour of the day."""
    for name, values, colour, at in (
        ("load", data.by_hour, _BLUE, 0.3),
        ("blower", data.running, _GREY, 0.7),
    ):
        axes.bar([hour + at for hour in range(24)], values, width=0.4, color=colour, label=name)
    axes.set_xticks(range(0, 25, 4))
    axes.set_xlabel(f"hour of the day ({data.clock.name})")


def _what_if(axes: Axes, data: ReportData) -> None:
    """Two simulated days under each of the settings shown."""
    for (name, at_days, pa), colour in zip(data.what_if, (_GREY, _BLUE), strict=False):
        axes.plot(at_days, pa, linewidth=1.0, color=colour, label=name)
    axes.set_xlabel("days")
    axes.set_ylabel("Pa")


def _energy(axes: Axes, data: ReportData) -> None:
    """Energy of fan and air under each of the settings shown."""
    names, fan, air = zip(*data.energy, strict=True)
    axes.bar(names, fan, width=0.5, color=_BLUE, label="fan")
    axes.bar(names, air, width=0.5, bottom=fan, color=_ORANGE, label="pulse air")
    axes.set_xlim(-0.6, len(names) - 0.4)
    axes.set_ylabel("kWh")


def _figures(axes: Axes, data: ReportData) -> None:
    axes.axis("off")
    _titled(axes, "In 1000 h of running (simulated)")
    table = axes.table(
        [[fill(name, 44), *cells] for name, cells in data.figures],
        colLabels=["", *(name for name, _ in data.shown)],
        colWidths=[0.5, *[0.5 / len(data.shown)] * len(data.shown)],
        cellLoc="left",
        bbox=Bbox.unit(),
    )
    table.auto_set_font_size(False)
    table.set_fontsize(6.5)


_DESK_INCHES, _PHONE_INCHES = (10.5, 8.5), (4.4, 9.5)
_MOST_ALARMS = 200
_PAGE = Template(Path(__file__).with_name("page.html").read_text(encoding="utf-8"))


def write_html(data: ReportData, path: Path) -> None:
    """Write the report. Raises OSError."""
    first, *others, caution = data.text
    spans = [f"{name} {pa.min():.0f} to {pa.max():.0f} Pa" for name, _, pa in data.what_if]
    recommendation = f'<p class="first">{escape(first)}</p>'
    recommendation += "".join(f"<p>{escape(each)}</p>" for each in others)
    page = _PAGE.substitute(
        title=escape(data.title),
        when=escape(_when(data)),
        recommendation=recommendation,
        caution=escape(caution),
        settings=escape(" ".join(f"{name.capitalize()}: {what}." for name, what in data.shown)),
        table=_table(
            [
                ("quantity", *(name for name, _ in data.shown)),
                *((name, *of) for name, of in data.figures),
            ]
        ),
        listed=_table(data.listed),
        clock=escape(data.clock.name),
        confidence=f"{CONFIDENCE * 100:.0f} %",
        trend=escape(_trend(data)),
        in_words=escape(_in_words(data)),
        desk=recorded_svg(data, _DESK_INCHES),
        phone=recorded_svg(data, _PHONE_INCHES),
        alarms=_alarms(data),
        hours=_plotted(_hours, data),
        hours_table=_hours_table(data),
        what_if=_plotted(_what_if, data),
        what_if_words=escape("dP: " + "; ".join(spans)),
        energy=_plotted(_energy, data),
        energy_words=escape(
            "; ".join(f"{n}: fan {f:.0f} kWh, pulse air {a:.1f} kWh" for n, f, a in data.energy)
        ),
    )
    path.write_text(page, encoding="utf-8")


def _when(data: ReportData) -> str:
    span = f"{data.at[-1]:.1f} days recorded" if len(data.at) else "nothing recorded"
    start_utc_s, zone = data.clock.start_utc_s, data.clock.zone or UTC
    if start_utc_s is None:
        return span
    begun = datetime.fromtimestamp(start_utc_s, zone)
    return f"{span}, from {begun:%Y-%m-%d %H:%M} {data.clock.name}"


def _trend(data: ReportData) -> str:
    if data.rise is not None:
        low, high = data.rise.low, data.rise.high
        return (
            "On-demand cleaning holds dP after a cleaning near the low set point as long as it can;"
            " what no pulse takes off, as fitted, shows how the filters age: it changes by "
            f"{data.rise.value:+.0f} Pa ({low:+.0f} to {high:+.0f}) in 1000 hours of running."
        )
    rise = data.residual_pa_per_day
    if rise is None:
        return "Too few cleanings to say how residual dP goes."
    way = "rises" if rise > 0 else "falls"
    return f"Residual dP, after cleaning, {way} by {abs(rise):.1f} Pa a day."


def _in_words(data: ReportData) -> str:
    """The plots of what was recorded."""
    parts = [f"{len(data.cleanings)} cleanings", f"{len(data.alarms)} alarms raised"]
    if len(data.at):
        parts.insert(0, f"dP from {data.low.min():.0f} to {data.high.max():.0f} Pa")
    if len(data.cycle_h):
        parts.append(f"median cycle time {np.median(data.cycle_h):.1f} running hours")
    if len(data.residual):
        parts.append(f"residual dP from {data.residual.min():.0f} to {data.residual.max():.0f} Pa")
    parts.append(f"compressed air {data.air_m3.mean():.1f} m3 of free air a day")
    return "; ".join(parts)


def _alarms(data: ReportData) -> str:
    """The alarms that a replay with today's settings raises."""
    if not data.alarms:
        return ""
    counts = Counter(name for _, name in data.alarms)
    summary = ", ".join(f"{name} {times}" for name, times in sorted(counts.items()))
    shown = data.alarms[:_MOST_ALARMS]
    lines = [(_moment(data, at_days), name) for at_days, name in shown]
    more = len(data.alarms) - len(shown)
    rest = f"<p>... and {more} more: <code>dustcake replay</code> lists them.</p>" if more else ""
    return (
        f"<details><summary>Alarms raised: {escape(summary)}</summary>"
        f"{_table([(data.axis, 'alarm'), *lines])}{rest}</details>"
    )


def _moment(data: ReportData, at_days: float) -> str:
    if data.clock.start_utc_s is None:
        return f"{at_days:.3f}"
    return str(data.moments([at_days])[0].astype("datetime64[s]")).replace("T", " ")


def _hours_table(data: ReportData) -> str:
    by_hour = zip(data.by_hour, data.running, strict=True)
    lines = [(str(n), f"{load:.2f}", f"{on:.2f}") for n, (load, on) in enumerate(by_hour)]
    return _table([("hour", "load", "blower"), *lines])


def _table(lines: Sequence[tuple[str, ...]]) -> str:
    rows = []
    for n, line in enumerate(lines):
        tag = "td" if n else "th"
        cells = (f"<{tag}>{escape(cell)}</{tag}>" for cell in line)
        rows.append(f"<tr>{''.join(cells)}</tr>")
    return f"<table>{''.join(rows)}</table>"
