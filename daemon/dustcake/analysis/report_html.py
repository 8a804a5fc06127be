"""The report as one HTML file that needs nothing else: plotly's plots, with its script inside."""

from html import escape
from pathlib import Path

from plotly.graph_objects import Bar, Figure, Scatter
from plotly.subplots import make_subplots

from dustcake.analysis.report_data import ReportData
from dustcake.publish.payloads import utc_text

_BLUE, _ORANGE, _GREY, _RED = "#2a6f97", "#d9822b", "#8a8f98", "#b3261e"

_BAR = {"displaylogo": False, "responsive": True}
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
body {{ font: 16px/1.5 system-ui, sans-serif; color: #1d2329; max-width: 1100px;
  margin: 2rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.5rem; margin-bottom: 0; }} .when {{ color: #59626c; margin-top: .2rem; }}
.verdict {{ border-left: 4px solid #2a6f97; background: #f3f6f9; padding: .6rem 1rem; }}
.verdict p {{ margin: .4rem 0; }} .first {{ font-size: 1.1rem; font-weight: 600; }}
</style></head><body>
<h1>{title}</h1><p class="when">{when}</p>
<section class="verdict">{verdict}</section>
{plots}
</body></html>
"""


def write_html(data: ReportData, path: Path) -> None:
    """Write the report. Raises OSError."""
    first, *others = data.text
    verdict = f'<p class="first">{escape(first)}</p>'
    verdict += "".join(f"<p>{escape(each)}</p>" for each in others)
    begun = utc_text(data.start_utc_s)
    span = f"{data.at[-1]:.1f} days recorded" if len(data.at) else ""
    when = f"{span}, from {begun}" if begun else span
    plots = _recorded(data).to_html(full_html=False, include_plotlyjs=True, config=_BAR)
    plots += _simulated(data).to_html(full_html=False, include_plotlyjs=False, config=_BAR)
    page = _PAGE.format(title=escape(data.title), when=escape(when), verdict=verdict, plots=plots)
    path.write_text(page, encoding="utf-8")


def _recorded(data: ReportData) -> Figure:
    figure = make_subplots(
        rows=4,
        cols=1,
        shared_xaxes=True,
        vertical_spacing=0.06,
        row_heights=[0.43, 0.19, 0.19, 0.19],
        subplot_titles=(
            "dP as recorded, with cleaning and alarms",
            "Cycle time: from one cleaning to the next",
            "Residual dP: after each cleaning",
            "Compressed air: each day's pulses",
        ),
    )
    band = {"x": data.at, "mode": "lines", "line": {"width": 0.8, "color": _BLUE}}
    figure.add_trace(Scatter(**band, y=data.low, name="dP", showlegend=False), row=1, col=1)
    figure.add_trace(
        Scatter(**band, y=data.high, name="dP", fill="tonexty", fillcolor="rgba(42,111,151,.25)"),
        row=1,
        col=1,
    )
    top = float(data.high.max()) if len(data.high) else 1.0
    figure.add_trace(
        Scatter(
            x=[begin for begin, _ in data.cleanings],
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
            x=[at for at, _ in data.alarms],
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
            row=1,
            col=1,
        )
    for row, (x, y, name) in enumerate(
        ((data.cycle_at, data.cycle_h, "cycle"), (data.residual_at, data.residual, "residual")), 2
    ):
        marks = {"size": 5, "color": _BLUE}
        figure.add_trace(
            Scatter(x=x, y=y, mode="markers", marker=marks, name=name, showlegend=False),
            row=row,
            col=1,
        )
    figure.add_trace(
        Bar(x=data.air_day, y=data.air_m3, marker={"color": _BLUE}, name="air", showlegend=False),
        row=4,
        col=1,
    )
    for row, title in enumerate(("dP, Pa", "hours", "Pa", "m3 free air"), 1):
        figure.update_yaxes(title_text=title, row=row, col=1)
    figure.update_xaxes(title_text="days from the first row", row=4, col=1)
    return _plain(figure, 900)


def _simulated(data: ReportData) -> Figure:
    figure = make_subplots(
        rows=1,
        cols=2,
        column_widths=[0.68, 0.32],
        subplot_titles=(
            "What if: the same two days under both settings (simulated)",
            "Energy for 1000 h of running (simulated)",
        ),
    )
    for (name, at, dp), colour in zip(data.what_if, (_GREY, _BLUE), strict=False):
        line = {"width": 1.2, "color": colour}
        figure.add_trace(Scatter(x=at, y=dp, mode="lines", line=line, name=name), row=1, col=1)
    who = [name for name, _, _ in data.energy]
    for part, colour, values in (
        ("fan, for the filters' dP", _BLUE, [fan for _, fan, _ in data.energy]),
        ("pulse air", _ORANGE, [air for _, _, air in data.energy]),
    ):
        figure.add_trace(Bar(x=who, y=values, name=part, marker={"color": colour}), row=1, col=2)
    figure.update_layout(barmode="stack")
    figure.update_yaxes(title_text="dP, Pa", row=1, col=1)
    figure.update_xaxes(title_text="days", row=1, col=1)
    figure.update_yaxes(title_text="kWh", row=1, col=2)
    return _plain(figure, 460)


def _plain(figure: Figure, height: int) -> Figure:
    figure.update_layout(
        template="plotly_white",
        height=height,
        margin={"l": 60, "r": 20, "t": 60, "b": 40},
        legend={"orientation": "h", "y": -0.12 if height < 600 else 1.06, "x": 0},
    )
    return figure
