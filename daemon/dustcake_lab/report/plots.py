"""The report's plots, by matplotlib: as one picture, and as SVG to be put into a page."""

import math
import re
from io import StringIO
from pathlib import Path
from textwrap import fill

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from dustcake_lab.report.data import ReportData

_BLUE, _ORANGE, _GREY, _RED = "#2a6f97", "#c26f1a", "#808891", "#b3261e"
_CYCLE, _RESIDUAL = "Cycle time, in running hours", "Residual dP after each cleaning"
_AIR = "Compressed air of each day's pulses"
_ENERGY = "Energy in 1000 h (simulated)"
_WHAT_IF = "What if: two days (simulated)"


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
    _energy(axes["energy"], data, _ENERGY)
    _what_if(axes["what_if"], data, _WHAT_IF)
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


def hours_svg(data: ReportData) -> str:
    """Load and running by the hour of the day."""
    figure, axes = _one_plot()
    for name, values, colour, at in (
        ("load", data.by_hour, _BLUE, 0.3),
        ("blower", data.running, _GREY, 0.7),
    ):
        axes.bar([hour + at for hour in range(24)], values, width=0.4, color=colour, label=name)
    axes.set_xticks(range(0, 25, 4))
    axes.set_xlabel(f"hour of the day ({data.clock})")
    return _svg(figure)


def what_if_svg(data: ReportData) -> str:
    """The same two days under each of the settings shown."""
    figure, axes = _one_plot()
    _what_if(axes, data, "")
    return _svg(figure)


def energy_svg(data: ReportData) -> str:
    """Energy of fan and air under each of the settings shown."""
    figure, axes = _one_plot()
    _energy(axes, data, "")
    return _svg(figure)


def _one_plot() -> tuple[Figure, Axes]:
    """As wide as a phone: beside others on a larger screen."""
    figure = Figure(figsize=(4.4, 3.0), layout="constrained")
    return figure, figure.subplots()


def _svg(figure: Figure) -> str:
    """To be put into a page: with text as text, and nothing named twice on that page."""
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


def _headed(axes: Axes, title: str, unit: str) -> None:
    axes.set_title(title, loc="left", fontsize=11)
    axes.set_ylabel(unit)


def _over_time(axes: Axes, data: ReportData, title: str, unit: str) -> None:
    """An axis from the first row to the last, with dates where they are known."""
    _headed(axes, title, unit)
    axes.set_xlabel(data.axis)
    if data.start_utc_s is not None:
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
    _over_time(axes, data, _CYCLE, "hours")
    axes.plot(data.moments(data.cycle_at), data.cycle_h, ".", color=_BLUE)


def _residual(axes: Axes, data: ReportData) -> None:
    _over_time(axes, data, _RESIDUAL, "Pa")
    axes.plot(data.moments(data.residual_at), data.residual, ".", color=_BLUE)
    if len(data.fitted):
        name = "what no pulse takes off, as fitted"
        axes.plot(data.moments(data.fitted_at), data.fitted, ".-", color=_ORANGE, label=name)


def _air(axes: Axes, data: ReportData) -> None:
    _over_time(axes, data, _AIR, "m3 free air")
    axes.bar(data.moments(data.air_day), data.air_m3, color=_BLUE)


def _what_if(axes: Axes, data: ReportData, title: str) -> None:
    for (name, at_days, pa), colour in zip(data.what_if, (_GREY, _BLUE), strict=False):
        axes.plot(at_days, pa, linewidth=1.0, color=colour, label=name)
    _headed(axes, title, "Pa")
    axes.set_xlabel("days")


def _energy(axes: Axes, data: ReportData, title: str) -> None:
    names = [name for name, _, _ in data.energy]
    fan = [fan for _, fan, _ in data.energy]
    air = [air for _, _, air in data.energy]
    axes.bar(names, fan, width=0.5, color=_BLUE, label="fan")
    axes.bar(names, air, width=0.5, bottom=fan, color=_ORANGE, label="pulse air")
    axes.set_xlim(-0.6, len(names) - 0.4)
    _headed(axes, title, "kWh")


def _figures(axes: Axes, data: ReportData) -> None:
    axes.axis("off")
    axes.set_title("In 1000 h of running (simulated)", loc="left", fontsize=11)
    table = axes.table(
        [[fill(name, 44), *cells] for name, cells in data.figures],
        colLabels=["", *(name for name, _ in data.shown)],
        colWidths=[0.5, *[0.5 / len(data.shown)] * len(data.shown)],
        cellLoc="left",
        bbox=Bbox.unit(),
    )
    table.auto_set_font_size(False)
    table.set_fontsize(6.5)
