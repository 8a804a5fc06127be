"""The report's plots as one picture, for where HTML cannot go."""

from pathlib import Path
from textwrap import fill

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from dustcake.analysis.report_data import ReportData

_BLUE, _ORANGE, _GREY, _RED = "#2a6f97", "#d9822b", "#8a8f98", "#b3261e"


def write_png(data: ReportData, path: Path) -> None:
    """Draw it. Raises OSError, and ValueError where the ending names no picture."""
    figure = Figure(figsize=(11.0, 13.0), layout="constrained")
    figure.suptitle(f"{data.title}\n{fill(data.text[0], 110)}", fontsize=11, ha="center")
    axes = figure.subplot_mosaic(
        [["dp", "dp"], ["cycle", "residual"], ["air", "energy"], ["what_if", "figures"]],
        height_ratios=[1.5, 1, 1, 1.2],
    )
    dp = axes["dp"]
    dp.fill_between(data.at, data.low, data.high, color=_BLUE, alpha=0.3)
    dp.plot(data.at, data.high, linewidth=0.6, color=_BLUE)
    for name, level in data.set_points_pa.items():
        dp.axhline(level, linewidth=0.7, linestyle="--", color=_GREY)
        dp.annotate(
            name, (0.005, level), xycoords=("axes fraction", "data"), fontsize=8, va="bottom"
        )
    top = float(data.high.max()) if len(data.high) else 1.0
    begins = [begin for begin, _ in data.cleanings]
    dp.plot(begins, [-0.03 * top] * len(begins), "|", color=_ORANGE, label="cleaning")
    if data.alarms:
        raised = [at for at, _ in data.alarms]
        dp.plot(raised, [1.03 * top] * len(raised), "v", color=_RED, label="alarm raised")
    dp.legend(loc="lower right", fontsize=8)
    dp.set(title="dP as recorded, with cleaning and alarms", ylabel="Pa", xlabel="days")
    axes["cycle"].plot(data.cycle_at, data.cycle_h, ".", color=_BLUE)
    axes["cycle"].set(title="Cycle time", ylabel="hours", xlabel="days")
    axes["residual"].plot(data.residual_at, data.residual, ".", color=_BLUE)
    if len(data.fitted):
        name = "what no pulse takes off, as fitted"
        axes["residual"].plot(data.fitted_at, data.fitted, ".-", color=_ORANGE, label=name)
        axes["residual"].legend(fontsize=8)
    axes["residual"].set(title="Residual dP: after each cleaning", ylabel="Pa", xlabel="days")
    axes["air"].bar(data.air_day, data.air_m3, color=_BLUE)
    axes["air"].set(title="Compressed air: each day's pulses", ylabel="m3 free air", xlabel="days")
    names = [name for name, _, _ in data.energy]
    fan = [fan for _, fan, _ in data.energy]
    air = [air for _, _, air in data.energy]
    axes["energy"].bar(names, fan, color=_BLUE, label="fan, for the filters' dP")
    axes["energy"].bar(names, air, bottom=fan, color=_ORANGE, label="pulse air")
    axes["energy"].legend(fontsize=8)
    axes["energy"].set(title="Energy for 1000 h of running (simulated)", ylabel="kWh")
    for (name, at, pa), colour in zip(data.what_if, (_GREY, _BLUE), strict=False):
        axes["what_if"].plot(at, pa, linewidth=1.0, color=colour, label=name)
    axes["what_if"].legend(fontsize=8)
    axes["what_if"].set(title="What if: two days (simulated)", ylabel="Pa", xlabel="days")
    _figures(axes["figures"], data)
    figure.savefig(path, dpi=110)


def _figures(axes: Axes, data: ReportData) -> None:
    axes.axis("off")
    axes.set(title="In 1000 h of running (simulated)")
    table = axes.table(
        [[fill(name, 44), *cells] for name, cells in data.figures],
        colLabels=["", *(name for name, _ in data.shown)],
        colWidths=[0.5, *[0.5 / len(data.shown)] * len(data.shown)],
        cellLoc="left",
        bbox=Bbox.unit(),
    )
    table.auto_set_font_size(False)
    table.set_fontsize(6.5)
