"""The report as one HTML file that needs nothing else: plotly's plots, with its script inside."""

from collections.abc import Sequence
from datetime import UTC, datetime
from html import escape
from pathlib import Path

from plotly.graph_objects import Bar, Figure, Scatter
from plotly.subplots import make_subplots

from dustcake.core.filter_life.forecast import CONFIDENCE
from dustcake_lab.report.data import ReportData

_BLUE, _ORANGE, _GREY, _RED = "#2a6f97", "#d9822b", "#8a8f98", "#b3261e"

_BAR = {"displaylogo": False, "responsive": True}
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
body {{ font: 16px/1.5 system-ui, sans-serif; color: #1d2329; max-width: 1100px;
  margin: 2rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.5rem; margin-bottom: 0; }} h2 {{ font-size: 1.15rem; margin: 1.6rem 0 0; }}
.when, .note {{ color: #59626c; margin: .2rem 0 .6rem; }}
.verdict {{ border-left: 4px solid #2a6f97; background: #f3f6f9; padding: .6rem 1rem; }}
.caution {{ border-left: 4px solid #d9822b; background: #fdf6ee; padding: .6rem 1rem;
  margin-top: 1.2rem; }}
.verdict p, .caution p {{ margin: .4rem 0; }} .first {{ font-size: 1.1rem; font-weight: 600; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{ text-align: right; padding: .25rem .5rem; border-bottom: 1px solid #dde2e7; }}
th:first-child, td:first-child {{ text-align: left; }}
.pair section {{ min-width: 0; }} .wide {{ overflow-x: auto; }} .wide td {{ white-space: nowrap; }}
@media (min-width: 800px) {{
  td + td {{ white-space: nowrap; }}
  .pair {{ display: grid; grid-template-columns: 2fr 1fr; gap: 1rem; }}
}}
/* On a phone it would cover the titles, and fingers need no tools. */
@media (max-width: 600px) {{ .modebar-container {{ display: none; }} }}
</style></head><body>
<h1>{title}</h1><p class="when">{when}</p>
<section class="verdict">{verdict}</section>
<section><h2>Today and recommended</h2>
<p class="note">For each 1000 hours of running; simulated. {settings}</p>{table}
<p class="note">Filters are due when what cleaning leaves of dP reaches the filter replacement set
point. Whether they age by running hours or by pulses no such trace can tell.</p></section>
<section class="caution"><p><strong>Before anything is changed.</strong> {caution}</p></section>
<section><h2>What was recorded</h2>
<p class="note">dP is the pressure across the filters: it rises as dust cakes on them and falls when
pulses of compressed air take it off. {trend}</p>{recorded}</section>
<section><h2>Load and running by the hour of the day</h2>
<p class="note">Hours of {clock}. The load of 1 is the mean one; the blower counts as its share of
the hour.</p>{hours}</section>
<div class="pair"><section><h2>What if: the same two days</h2>
<p class="note">Simulated, with the load of each hour as it was recorded.</p>{what_if}</section>
<section><h2>Energy</h2>
<p class="note">Simulated, for 1000 hours of running.</p>{energy}</section></div>
<section><h2>Settings worth a look</h2>
<p class="note">Today's, and the best of those that keep the limits; simulated, for 1000 hours of
running. Filter life: {confidence} confidence, however they age.</p>
<div class="wide">{listed}</div></section>
</body></html>
"""


def write_html(data: ReportData, path: Path) -> None:
    """Write the report. Raises OSError."""
    first, *others, caution = data.text
    verdict = f'<p class="first">{escape(first)}</p>'
    verdict += "".join(f"<p>{escape(each)}</p>" for each in others)
    page = _PAGE.format(
        title=escape(data.title),
        when=escape(_when(data)),
        verdict=verdict,
        caution=escape(caution),
        settings=escape(" ".join(f"{name.capitalize()}: {what}." for name, what in data.shown)),
        table=_table([("", *(name for name, _ in data.shown)), *_lines(data)]),
        listed=_table(data.listed),
        clock=escape(data.clock),
        confidence=f"{CONFIDENCE * 100:.0f} %",
        hours=_hours(data).to_html(full_html=False, include_plotlyjs=False, config=_BAR),
        trend=escape(_trend(data)),
        recorded=_recorded(data).to_html(full_html=False, include_plotlyjs=True, config=_BAR),
        what_if=_what_if(data).to_html(full_html=False, include_plotlyjs=False, config=_BAR),
        energy=_energy(data).to_html(full_html=False, include_plotlyjs=False, config=_BAR),
    )
    path.write_text(page, encoding="utf-8")


def _when(data: ReportData) -> str:
    span = f"{data.at[-1]:.1f} days recorded" if len(data.at) else "nothing recorded"
    if data.start_utc_s is None:
        return span
    begun = datetime.fromtimestamp(data.start_utc_s, data.zone or UTC)
    return f"{span}, from {begun:%Y-%m-%d %H:%M} {data.clock}"


def _trend(data: ReportData) -> str:
    if data.rise is not None:
        low, high = data.rise.low, data.rise.high
        return (
            "On-demand cleaning holds dP after a cleaning near the low set point as long as it can;"
            " what no pulse takes off, as fitted, tells how the filters age: it changes by "
            f"{data.rise.value:+.0f} Pa ({low:+.0f} to {high:+.0f}) in 1000 hours of running."
        )
    rise = data.residual_pa_per_day
    if rise is None:
        return "Too few cleanings to say how residual dP goes."
    way = "rises" if rise > 0 else "falls"
    return f"Residual dP, after cleaning, {way} by {abs(rise):.1f} Pa a day."


def _lines(data: ReportData) -> list[tuple[str, ...]]:
    return [(name, *cells) for name, cells in data.figures]


def _table(lines: Sequence[tuple[str, ...]]) -> str:
    head, *others = (
        "".join(f"<{tag}>{escape(cell)}</{tag}>" for cell in line)
        for tag, line in zip(["th"] + ["td"] * len(lines), lines, strict=False)
    )
    return f"<table><tr>{head}</tr>{''.join(f'<tr>{each}</tr>' for each in others)}</table>"


def _recorded(data: ReportData) -> Figure:
    figure = make_subplots(
        rows=4,
        cols=1,
        shared_xaxes=True,
        vertical_spacing=0.06,
        row_heights=[0.43, 0.19, 0.19, 0.19],
        subplot_titles=(
            "dP, with cleaning and alarms",
            "Cycle time, in running hours",
            "Residual dP after each cleaning",
            "Compressed air of each day's pulses",
        ),
    )
    # From the left and small, so that a phone shows all of it.
    figure.update_annotations(x=0.0, xanchor="left", font={"size": 13})
    band = {"x": data.moments(data.at), "mode": "lines", "line": {"width": 0.8, "color": _BLUE}}
    figure.add_trace(Scatter(**band, y=data.low, name="dP", showlegend=False), row=1, col=1)
    figure.add_trace(
        Scatter(**band, y=data.high, name="dP", fill="tonexty", fillcolor="rgba(42,111,151,.25)"),
        row=1,
        col=1,
    )
    top = float(data.high.max()) if len(data.high) else 1.0
    figure.add_trace(
        Scatter(
            x=data.moments([begin for begin, _ in data.cleanings]),
            y=[-0.04 * top] * len(data.cleanings),
            mode="markers",
            marker={"symbol": "line-ns-open", "size": 9, "color": _ORANGE},
            name="cleaning",
        ),
        row=1,
        col=1,
    )
    figure.add_trace(
        Scatter(
            x=data.moments([at for at, _ in data.alarms]),
            y=[1.04 * top] * len(data.alarms),
            text=[name for _, name in data.alarms],
            mode="markers",
            marker={"symbol": "triangle-down", "size": 10, "color": _RED},
            name="alarm raised",
        ),
        row=1,
        col=1,
    )
    for name, level in data.set_points_pa.items():
        figure.add_hline(
            y=level,
            line={"width": 1, "dash": "dash", "color": _GREY},
            annotation_text=name,
            annotation_position="top right",
            annotation_font={"size": 11},
            annotation_bgcolor="rgba(255,255,255,.8)",
            row=1,
            col=1,
        )
    for row, (x, y, name) in enumerate(
        ((data.cycle_at, data.cycle_h, "cycle"), (data.residual_at, data.residual, "residual")), 2
    ):
        marks = {"size": 5, "color": _BLUE}
        figure.add_trace(
            Scatter(
                x=data.moments(x), y=y, mode="markers", marker=marks, name=name, showlegend=False
            ),
            row=row,
            col=1,
        )
    if len(data.fitted):
        figure.add_trace(
            Scatter(
                x=data.moments(data.fitted_at),
                y=data.fitted,
                mode="lines+markers",
                marker={"size": 4, "color": _ORANGE},
                name="what no pulse takes off",
            ),
            row=3,
            col=1,
        )
    figure.add_trace(
        Bar(
            x=data.moments(data.air_day),
            y=data.air_m3,
            marker={"color": _BLUE},
            name="air",
            showlegend=False,
        ),
        row=4,
        col=1,
    )
    for row, title in enumerate(("dP, Pa", "running hours", "Pa", "m3 free air"), 1):
        figure.update_yaxes(title_text=title, row=row, col=1)
    figure.update_xaxes(title_text=data.axis, row=4, col=1)
    return _plain(figure, 900)


def _what_if(data: ReportData) -> Figure:
    figure = Figure()
    for (name, at, dp), colour in zip(data.what_if, (_GREY, _BLUE), strict=False):
        line = {"width": 1.2, "color": colour}
        figure.add_trace(Scatter(x=at, y=dp, mode="lines", line=line, name=name))
    figure.update_yaxes(title_text="dP, Pa")
    figure.update_xaxes(title_text="days")
    return _plain(figure, 400)


def _energy(data: ReportData) -> Figure:
    figure, who = Figure(), [name for name, _, _ in data.energy]
    for part, colour, values in (
        ("fan", _BLUE, [fan for _, fan, _ in data.energy]),
        ("pulse air", _ORANGE, [air for _, _, air in data.energy]),
    ):
        figure.add_trace(Bar(x=who, y=values, name=part, marker={"color": colour}))
    figure.update_layout(barmode="stack")
    figure.update_yaxes(title_text="kWh")
    return _plain(figure, 400)


def _hours(data: ReportData) -> Figure:
    figure, hours = Figure(), list(range(24))
    figure.add_trace(Bar(x=hours, y=data.by_hour, name="load", marker={"color": _BLUE}))
    figure.add_trace(Bar(x=hours, y=data.running, name="blower", marker={"color": _GREY}))
    figure.update_xaxes(title_text=f"hour of the day ({data.clock})", dtick=2)
    return _plain(figure, 300)


def _plain(figure: Figure, height: int) -> Figure:
    below = -0.25 if height < 600 else -0.09  # of the plots, where it covers no title
    figure.update_layout(
        template="plotly_white",
        height=height,
        margin={"l": 60, "r": 20, "t": 30, "b": 40},
        legend={"orientation": "h", "y": below, "yanchor": "top", "x": 0},
    )
    return figure
