"""The report as one HTML file that needs nothing else: no script, no font, no network.

Plots are SVG in the page, each with its content in words, so that it prints and is read aloud.
"""

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from html import escape
from pathlib import Path

import numpy as np

from dustcake.core.filter_life.forecast import CONFIDENCE
from dustcake_lab.report.data import ReportData
from dustcake_lab.report.plots import energy_svg, hours_svg, recorded_svg, what_if_svg

_DESK_INCHES, _PHONE_INCHES = (10.5, 8.5), (4.4, 9.5)
_MOST_ALARMS = 200
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
body {{ font: 16px/1.5 system-ui, sans-serif; color: #1d2329; background: #fff; max-width: 1100px;
  margin: 2rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.5rem; margin-bottom: 0; }} h2 {{ font-size: 1.15rem; margin: 1.6rem 0 0; }}
.when, .note {{ color: #59626c; margin: .2rem 0 .6rem; }}
.verdict {{ border-left: 4px solid #2a6f97; background: #f3f6f9; padding: .6rem 1rem; }}
.caution {{ border-left: 4px solid #c26f1a; background: #fdf6ee; padding: .6rem 1rem;
  margin-top: 1.2rem; }}
.verdict p, .caution p {{ margin: .4rem 0; }} .first {{ font-size: 1.1rem; font-weight: 600; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{ text-align: right; padding: .25rem .5rem; border-bottom: 1px solid #dde2e7; }}
th:first-child, td:first-child {{ text-align: left; }}
figure {{ margin: 0; }} svg {{ width: 100%; height: auto; }} summary {{ cursor: pointer; }}
.wide {{ overflow-x: auto; }} .wide td {{ white-space: nowrap; }} .desk {{ display: none; }}
@media (min-width: 800px) {{
  td + td {{ white-space: nowrap; }} .desk {{ display: block; }} .phone {{ display: none; }}
  .plots {{ display: grid; grid-template-columns: 1fr 1fr; gap: 0 2rem; }}
}}
@media print {{ figure, tr {{ break-inside: avoid; }} }}
</style></head><body><main>
<h1>{title}</h1><p class="when">{when}</p>
<section class="verdict">{verdict}</section>
<section><h2>Today and recommended</h2>
<p class="note">For each 1000 hours of running; simulated. {settings}</p>{table}
<p class="note">Filters are due when what cleaning leaves of dP reaches the filter replacement set
point. No such trace shows whether they age by running hours or by pulses.</p></section>
<section class="caution"><p><strong>Before anything is changed.</strong> {caution}</p></section>
<section><h2>What was recorded</h2>
<p class="note">dP is the pressure across the filters: it rises as dust cakes on them and falls when
pulses of compressed air take it off. {trend}</p>
<figure role="img" aria-label="{in_words}"><div class="desk">{desk}</div>
<div class="phone">{phone}</div></figure>{alarms}</section>
<div class="plots"><section><h2>Load and running by the hour of the day</h2>
<p class="note">Hours of {clock}. A load of 1 is the mean; the blower counts as its share of the
hour.</p><figure role="img" aria-label="Bars; the same figures are below">{hours}</figure>
<details><summary>In figures</summary>{hours_table}</details></section>
<section><h2>What if: the same two days</h2>
<p class="note">Simulated, with the load of each hour as it was recorded.</p>
<figure role="img" aria-label="{what_if_words}">{what_if}</figure></section>
<section><h2>Energy</h2>
<p class="note">Simulated, for 1000 hours of running.</p>
<figure role="img" aria-label="{energy_words}">{energy}</figure></section></div>
<section><h2>Settings worth a look</h2>
<p class="note">Today's, and the best of those that keep the limits; simulated, for 1000 hours of
running. Filter life: {confidence} confidence, however they age.</p>
<div class="wide" tabindex="0" role="group" aria-label="Settings worth a look">{listed}</div>
</section></main></body></html>
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
        table=_table(
            [
                ("quantity", *(name for name, _ in data.shown)),
                *((name, *of) for name, of in data.figures),
            ]
        ),
        listed=_table(data.listed),
        clock=escape(data.clock),
        confidence=f"{CONFIDENCE * 100:.0f} %",
        trend=escape(_trend(data)),
        in_words=escape(_in_words(data)),
        desk=recorded_svg(data, _DESK_INCHES),
        phone=recorded_svg(data, _PHONE_INCHES),
        alarms=_alarms(data),
        hours=hours_svg(data),
        hours_table=_hours_table(data),
        what_if=what_if_svg(data),
        what_if_words=escape("dP: " + "; ".join(_spans(data))),
        energy=energy_svg(data),
        energy_words=escape(
            "; ".join(f"{n}: fan {f:.0f} kWh, pulse air {a:.1f} kWh" for n, f, a in data.energy)
        ),
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


def _spans(data: ReportData) -> list[str]:
    return [f"{name} {pa.min():.0f} to {pa.max():.0f} Pa" for name, _, pa in data.what_if]


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
    if data.start_utc_s is None:
        return f"{at_days:.3f}"
    return str(data.moments([at_days])[0].astype("datetime64[s]")).replace("T", " ")


def _hours_table(data: ReportData) -> str:
    by_hour = zip(data.by_hour, data.running, strict=True)
    lines = [(str(n), f"{load:.2f}", f"{on:.2f}") for n, (load, on) in enumerate(by_hour)]
    return _table([("hour", "load", "blower"), *lines])


def _table(lines: Sequence[tuple[str, ...]]) -> str:
    head, *others = (
        "".join(f"<{tag}>{escape(cell)}</{tag}>" for cell in line)
        for tag, line in zip(["th"] + ["td"] * len(lines), lines, strict=False)
    )
    return f"<table><tr>{head}</tr>{''.join(f'<tr>{each}</tr>' for each in others)}</table>"
