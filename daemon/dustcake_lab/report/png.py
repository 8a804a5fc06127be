"""The report's plots as one picture, for where HTML cannot go."""

import math
from pathlib import Path
from textwrap import fill

from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from dustcake_lab.report.data import ReportData

_BLUE, _ORANGE, _GREY, _RED = "#2a6f97", "#d9822b", "#8a8f98", "#b3261e"


def write_png(data: ReportData, path: Path) -> None:
    """Draw it. Raises OSError, and ValueError where the ending names no picture."""
    drawn(data).savefig(path, dpi=110)


def drawn(data: ReportData) -> Figure:
    """All plots in one figure."""
    figure = Figure(figsize=(11.0, 13.0), layout="constrained")
    figure.suptitle(f"{data.title}\n{fill(data.text[0], 110)}", fontsize=11, ha="center")
    axes = figure.subplot_mosaic(
        [["dp", "dp"], ["cycle", "residual"], ["air", "energy"], ["what_if", "figures"]],
        height_ratios=[1.5, 1, 1, 1.2],
    )
    _dp(axes["dp"], data)
    _over_time(axes["cycle"], data, "Cycle time, in running hours", "hours")
    axes["cycle"].plot(data.moments(data.cycle_at), data.cycle_h, ".", color=_BLUE)
    _over_time(axes["residual"], data, "Residual dP after each cleaning", "Pa")
    axes["residual"].plot(data.moments(data.residual_at), data.residual, ".", color=_BLUE)
    if len(data.fitted):
        name = "what no pulse takes off, as fitted"
        at = data.moments(data.fitted_at)
        axes["residual"].plot(at, data.fitted, ".-", color=_ORANGE, label=name)
        _legend(axes["residual"])
    _over_time(axes["air"], data, "Compressed air of each day's pulses", "m3 free air")
    axes["air"].bar(data.moments(data.air_day), data.air_m3, color=_BLUE)
    _energy(axes["energy"], data)
    for (name, at_days, pa), colour in zip(data.what_if, (_GREY, _BLUE), strict=False):
        axes["what_if"].plot(at_days, pa, linewidth=1.0, color=colour, label=name)
    _headed(axes["what_if"], "What if: two days (simulated)", "Pa")
    axes["what_if"].set_xlabel("days")
    _legend(axes["what_if"])
    _figures(axes["figures"], data)
    return figure


def _headed(axes: Axes, title: str, unit: str) -> None:
    axes.set_title(title, loc="left", fontsize=11)
    axes.set_ylabel(unit)


def _legend(axes: Axes) -> None:
    """Beside the title, where it hides nothing."""
    axes.legend(
        loc="lower right",
        bbox_to_anchor=(1.0, 1.0),
        ncols=3,
        fontsize=8,
        frameon=False,
        borderaxespad=0.1,
    )


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
    _legend(axes)


def _energy(axes: Axes, data: ReportData) -> None:
    names = [name for name, _, _ in data.energy]
    fan = [fan for _, fan, _ in data.energy]
    air = [air for _, _, air in data.energy]
    axes.bar(names, fan, width=0.5, color=_BLUE, label="fan")
    axes.bar(names, air, width=0.5, bottom=fan, color=_ORANGE, label="pulse air")
    axes.set_xlim(-0.6, len(names) - 0.4)
    _headed(axes, "Energy in 1000 h (simulated)", "kWh")
    _legend(axes)


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
