"""A run of the simulator: counts as in a replay, the plant's side, and a picture of it.

A picture needs matplotlib, from the `analysis` extra, and imports it only when something is drawn.
"""

from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dustcake.core.events import AlarmChanged, Event
from dustcake.core.setpoints import Setpoints
from dustcake.publish.wording import spoken
from dustcake.settings.extras import install_hint
from dustcake.units import UNIT_OF_ENDING
from dustcake_lab.replay.listing import count_lines, counts
from dustcake_lab.replay.replay import Tally
from dustcake_loop.closed_loop import FIRST_UTC_S, ClosedLoop
from dustcake_sim.events import Event as ScenarioEvent
from dustcake_sim.scenario import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CAVEAT = "simulated: not a claim about any real collector"


def plant(loop: ClosedLoop) -> dict[str, Any]:
    """The plant's side of the summary: totals since the start, and its state at the end."""
    one = loop.field.collector
    state = one.state
    return {
        "dust_caught_kg": round(state.dust_in_kg, 3),
        "dust_emitted_kg": round(state.emitted_kg, 6),
        "drum_kg": round(state.drum_kg, 3),
        "air_used_kg": round(state.air_used_kg, 3),
        "air_leaked_kg": round(state.air_leaked_kg, 3),
        "two_valves_at_once": loop.field.outputs.counts.two_valves_at_once,
        "end_dp_pa": round(one.point.dp_pa, 2),
        "end_flow_m3_s": round(one.point.flow_m3_s, 4),
        "end_residual_drag_pa_s_m": [round(drag, 1) for drag in state.residual_drag_pa_s_m],
        "end_cake_kg_m2": [round(cake, 5) for cake in state.cake_kg_m2],
    }


def summary(tally: Tally, loop: ClosedLoop) -> dict[str, Any]:
    """The last line of a listing for programs; named as in a replay where it is the same."""
    head = {"event": "summary", "samples": loop.samples}
    return {**head, **counts(tally), "plant": plant(loop), "notes": [CAVEAT]}


def summary_lines(tally: Tally, loop: ClosedLoop) -> list[str]:
    """The same for people."""
    state = loop.field.collector.state
    lines = [
        "",
        f"samples          {loop.samples}",
        *count_lines(tally),
        f"dust caught      {state.dust_in_kg:.1f} kg",
        f"pulse air        {state.air_used_kg:.1f} kg",
    ]
    if round(state.emitted_kg, 6) > 0.0:
        lines.append(f"dust let through {state.emitted_kg:.3g} kg")
    return [*lines, f"note: {CAVEAT}"]


_BINS = 5000
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


@dataclass(slots=True)
class AlarmSpan:
    """When an alarm was active. `until_s` None: to the end of the run."""

    alarm: str
    since_s: float
    until_s: float | None = None


class Curves:
    """A record of a run that ends at `end_s`, in so many bins of time.

    Each bin keeps its extremes, so that a short peak of dP or the dip of a single pulse shows.
    """

    def __init__(self, rows: int, end_s: float) -> None:
        self.from_s = array("d")
        """For each bin, when it was first sampled, and in `to_s` last."""
        self.to_s = array("d")
        self.dp_pa = Curve()
        self.flow_m3_s = Curve()
        self.header_pa = Curve()
        self.cake_kg_m2 = [Curve() for _ in range(rows)]
        self.alarms: list[AlarmSpan] = []
        self._active: dict[str, AlarmSpan] = {}
        self._bin_s = max(1.0, end_s / _BINS)
        self._ends_s = 0.0

    def watch(self, loop: ClosedLoop) -> None:
        """Take in the present moment of a run."""
        one, t_s = loop.field.collector, loop.t_s
        new_bin = t_s >= self._ends_s
        if new_bin:
            self.from_s.append(t_s)
            self.to_s.append(t_s)
            self._ends_s = (t_s // self._bin_s + 1.0) * self._bin_s
        self.to_s[-1] = t_s
        self.dp_pa.take(one.point.dp_pa, new_bin)
        self.flow_m3_s.take(one.point.flow_m3_s, new_bin)
        self.header_pa.take(one.state.header_gauge_pa, new_bin)
        for curve, cake in zip(self.cake_kg_m2, one.state.cake_kg_m2, strict=True):
            curve.take(cake, new_bin)

    def note(self, event: Event) -> None:
        """Take in an event of the run."""
        body = event.body
        if not isinstance(body, AlarmChanged):
            return
        if body.state not in _ACTIVE:
            ended = self._active.pop(body.alarm, None)
            if ended is not None:
                ended.until_s = event.at.mono_s
        elif body.alarm not in self._active and len(self.alarms) < _MOST_ALARMS:
            self._active[body.alarm] = AlarmSpan(body.alarm, event.at.mono_s)
            self.alarms.append(self._active[body.alarm])


_DAY_S = 86_400.0
_LINE, _FAINT, _ALARM = "#20618f", "#9a9a9a", "#b3402a"
_LINE_LETTERS = 120
"""As many of a small letter as stand side by side below the curves."""
_STYLE: dict[Any, Any] = {
    "axes.axisbelow": True,
    "axes.grid": True,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "date.converter": "concise",
    "font.size": 9,
    "grid.color": "0.9",
    "grid.linewidth": 0.6,
    "lines.linewidth": 0.8,
}
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
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    alarms = list(dict.fromkeys(each.alarm for each in curves.alarms))
    happened = [each for each in scenario.event if each.at_s <= curves.to_s[-1]]
    below = _listed(happened)
    heights = [3.0, 1.4, 1.6, 2.2, 0.3 + 0.25 * len(alarms)][: 5 if alarms else 4]
    height = 1.0 + sum(heights) + 0.2 * len(below)
    with rc_context(_STYLE):
        figure = Figure(figsize=(12.0, height), layout="constrained")
        figure.suptitle(f"{scenario.title} (simulated)", x=0.01, ha="left", fontsize="x-large")
        figure.supxlabel("\n".join(below), x=0.01, ha="left", family="monospace", size="small")
        panels = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights)
        _quantities(panels, curves, setpoints)
        if alarms:
            _alarms(panels[-1], curves, alarms)
        _events(panels[0], happened)
        panels[-1].xaxis_date()
        panels[-1].set_xlim(_date(0.0), _date(curves.to_s[-1]))
        figure.align_ylabels(panels[:4])
        try:
            figure.savefig(path, dpi=120)
        except (OSError, ValueError) as error:
            raise PlotError(
                f"--plot {path}: {error}; name a writable file that ends in .png, .svg or .pdf"
            ) from None


def _quantities(panels: "Sequence[Axes]", curves: Curves, setpoints: Setpoints) -> None:
    from matplotlib import colormaps

    dp, flow, header, cake = panels[:4]
    _curve(dp, curves, curves.dp_pa, "dP, Pa")
    _level(dp, "low", setpoints.cleaning.low_pa)
    _level(dp, "high", setpoints.cleaning.high_pa)
    _level(dp, "replacement", setpoints.limits.replacement_pa)
    dp.set_ylim(bottom=min(0.0, *curves.dp_pa.low))
    _curve(flow, curves, curves.flow_m3_s, "flow, m³/s")
    _curve(header, curves, curves.header_pa, "header, bar", 1e-5)
    if setpoints.header is not None:
        _level(header, "needed", 1e-5 * setpoints.header_limits.min_pa)
    shades = colormaps["viridis"].resampled(len(curves.cake_kg_m2) + 1)
    for number, row in enumerate(curves.cake_kg_m2):
        _curve(cake, curves, row, "cake, kg/m²", color=shades(number), label=f"row {number + 1}")
    for panel in (flow, header, cake):
        panel.set_ylim(bottom=0.0)
    cake.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize="small")


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
    panel.plot([_date(t_s) for t_s in times], shown, color=color, alpha=alpha, label=label)
    panel.set_ylabel(name)


def _level(panel: "Axes", name: str, level: float | None) -> None:
    if level is not None:
        panel.axhline(level, linestyle=(0, (4, 3)), color=_FAINT)
        beside = panel.get_yaxis_transform()
        text = f"{name} {level:g}"
        panel.text(1.005, level, text, transform=beside, va="center", size="small", color="0.35")


def _alarms(panel: "Axes", curves: Curves, names: Sequence[str]) -> None:
    for each in curves.alarms:
        until_s = curves.to_s[-1] if each.until_s is None else each.until_s
        span = (_date(each.since_s), (until_s - each.since_s) / _DAY_S)
        panel.broken_barh([span], (names.index(each.alarm) - 0.35, 0.7), color=_ALARM)
    panel.set_yticks(range(len(names)), [spoken(name) for name in names])
    panel.set_ylim(len(names) - 0.4, -0.6)
    panel.set_ylabel("alarms")


def _events(panel: "Axes", events: Sequence[ScenarioEvent]) -> None:
    """When the scenario did something, by the numbers under which it is listed below."""
    for number, event in enumerate(events, start=1):
        at = _date(event.at_s)
        panel.axvline(at, color="0.6", linestyle=":")
        above, text = panel.get_xaxis_transform(), str(number)
        panel.text(at, 1.01, text, transform=above, ha="center", size="small", color="0.35")


def _listed(events: Sequence[ScenarioEvent]) -> list[str]:
    """What the scenario did, side by side as far as there is room."""
    texts = []
    for number, event in enumerate(events, start=1):
        at = datetime.fromtimestamp(FIRST_UTC_S + event.at_s, UTC)
        texts.append(f"{number:2}  {at:%d %b %H:%M}  {words(event)}")
    width = max(map(len, texts), default=1) + 3
    columns = max(1, _LINE_LETTERS // width)
    rows = (texts[first : first + columns] for first in range(0, len(texts), columns))
    return ["".join(text.ljust(width) for text in row) for row in rows]


def _date(t_s: float) -> float:
    """Scenario time as matplotlib counts it: days since 1970."""
    return (FIRST_UTC_S + t_s) / _DAY_S


def words(event: ScenarioEvent) -> str:
    """An event of a scenario in a few words, as `valve 3 stuck closed`."""
    fields = event.model_dump(mode="json", exclude_defaults=True, exclude={"at_s", "kind"})
    lines_below = [_field(event.kind, name, value) for name, value in fields.items()]
    return " ".join([spoken(event.kind), ", ".join(lines_below)]).strip()


def _field(kind: str, name: str, value: object) -> str:
    if isinstance(value, str):
        return "mended" if value == "none" else spoken(value)
    if isinstance(value, bool):
        shown = "yes" if value else "no"
    else:
        shown = f"{value:g}" if isinstance(value, float) else str(value)
    suffix = next((each for each in _UNITS if name.endswith(each)), "")
    bare = spoken(name.removesuffix(suffix))
    unit = f" {_UNITS[suffix]}" if suffix else ""
    return f"{shown}{unit}" if bare in (kind, "factor") else f"{bare} {shown}{unit}"
